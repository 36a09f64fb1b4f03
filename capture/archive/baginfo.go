package archive

import (
	"bytes"
	"fmt"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"gearwitness/capture"
)

const (
	labelFormat  = "Session-Format"
	labelStarted = "Session-Started"
	labelEnded   = "Session-Ended"
	labelSealer  = "Session-Sealed-By"
	labelProgram = "Session-Sealed-By-SHA256"
	labelDate    = "Bagging-Date"
	labelOxum    = "Payload-Oxum"
)

// maxInfo bounds bag-info.txt.
const maxInfo = 1 << 20

// info is the content of bag-info.txt: what this program knows, and the lines
// it does not, which are kept.
type info struct {
	format  int
	meta    Meta
	sealer  string // program and version that sealed; sessions sealed before that was kept have none
	program string // SHA-256 of its executable, likewise
	date    string // of sealing
	oxum    string // bytes.files of the payload, after sealing
	other   []string
}

func (in *info) encode() []byte {
	var b bytes.Buffer
	line := func(label, text string) {
		if text != "" {
			// One paragraph a value: RFC 8493 has no way to keep line breaks.
			fmt.Fprintf(&b, "%s: %s\n", label, strings.Join(strings.Fields(text), " "))
		}
	}
	line(labelFormat, strconv.Itoa(in.format))
	for _, l := range in.meta.labels() {
		line(l.label, *l.text)
	}
	line(labelStarted, stampText(in.meta.Started))
	line(labelEnded, stampText(in.meta.Ended))
	line(labelSealer, in.sealer)
	line(labelProgram, in.program)
	line(labelDate, in.date)
	line(labelOxum, in.oxum)
	for _, s := range in.other {
		b.WriteString(s + "\n")
	}
	return b.Bytes()
}

// edit changes what people may change.
func (in *info) edit(change func(*Meta)) {
	started, ended := in.meta.Started, in.meta.Ended
	change(&in.meta)
	in.meta.Started, in.meta.Ended = started, ended
}

// Describe changes who, what and why of a session that has ended and is not
// sealed. The times stay. What is changed is kept in the journal first, as a
// correction with what stood there before.
func Describe(dir string, change func(*Meta)) error {
	r, err := Open(dir)
	if err != nil {
		return err
	}
	if r.sealed {
		return fmt.Errorf("%s: is sealed; what it says of itself cannot be changed any more", dir)
	}
	unlock, err := r.fs.Lock(filepath.Join(dir, lockName))
	if err != nil {
		return fmt.Errorf("%s: %w", dir, plain(err))
	}
	defer unlock()
	before := r.info.meta
	r.info.edit(change)
	if changed := corrections(&before, &r.info.meta); len(changed) > 0 {
		now := time.Now()
		line, err := appendEntry(nil, KindCorrection, capture.Stamp(now.UnixNano()), correctionEntry(now, changed))
		if err != nil {
			return err
		}
		if err := r.append(line); err != nil {
			return err
		}
	}
	return plain(writeBytes(r.fs, filepath.Join(dir, infoName), r.info.encode()))
}

// correctionEntry is the journal's word about what was changed at a time of day.
func correctionEntry(wall time.Time, changed []correction) any {
	return struct {
		Wall    string       `json:"wall"`
		Changed []correction `json:"changed"`
	}{stampText(wall), changed}
}

// correction is one detail that was changed.
type correction struct {
	Label string `json:"label"` // of bag-info.txt
	From  string `json:"from"`
	To    string `json:"to"`
}

func corrections(before, after *Meta) (list []correction) {
	was := before.labels()
	for i, l := range after.labels() {
		if *l.text != *was[i].text {
			list = append(list, correction{l.label, *was[i].text, *l.text})
		}
	}
	return list
}

func stampText(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(time.RFC3339Nano)
}

// parseInfo reads bag-info.txt. Values may be folded: a line that begins with
// white space continues the one before (RFC 8493 section 2.2.2).
func parseInfo(data []byte) (info, error) {
	var in info
	if len(data) > maxInfo {
		return in, fmt.Errorf("%s: %d bytes; expected at most %d", infoName, len(data), maxInfo)
	}
	text := strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(strings.ToValidUTF8(string(data), "\uFFFD"))
	var lines []string
	for n, l := range strings.Split(text, "\n") {
		switch {
		case strings.TrimSpace(l) == "":
		case l[0] == ' ' || l[0] == '\t':
			if len(lines) == 0 {
				return in, fmt.Errorf("%s:%d: a continued line with nothing before it; expected Label: value", infoName, n+1)
			}
			lines[len(lines)-1] += " " + strings.TrimSpace(l)
		case !strings.Contains(l, ":"):
			return in, fmt.Errorf("%s:%d: expected Label: value, found %q", infoName, n+1, clip(l))
		default:
			lines = append(lines, l)
		}
	}
	texts := map[string]*string{labelSealer: &in.sealer, labelProgram: &in.program, labelDate: &in.date, labelOxum: &in.oxum}
	for _, l := range in.meta.labels() {
		texts[l.label] = l.text
	}
	for _, l := range lines {
		label, value, _ := strings.Cut(l, ":")
		value = strings.TrimSpace(value)
		var err error
		switch p, known := texts[label]; {
		case label == labelFormat:
			in.format, err = strconv.Atoi(value)
		case label == labelStarted:
			in.meta.Started, err = parseTime(value)
		case label == labelEnded:
			in.meta.Ended, err = parseTime(value)
		case known && *p == "":
			*p = value
		default:
			in.other = append(in.other, l)
		}
		if err != nil {
			return in, fmt.Errorf("%s: %s: %w", infoName, label, err)
		}
	}
	if in.format > Format {
		return in, fmt.Errorf("written by session format %d, this program reads 1 to %d; use a newer program", in.format, Format)
	}
	return in, nil
}

// parseTime reads a date and time by RFC 3339, with nothing left open.
func parseTime(s string) (time.Time, error) {
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		return t, fmt.Errorf("expected a time such as 2026-03-07T14:15:03+01:00, found %q", clip(s))
	}
	return t, nil
}

// clip shortens foreign text for an error message.
func clip(s string) string {
	if len(s) > 60 {
		return s[:60] + "..."
	}
	return s
}
