package archive

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"strconv"
	"strings"

	"gearwitness/capture"
)

// Kinds of journal entry that the recorder writes by itself.
const (
	KindStart = "start" // wall: the time of day at time_s
	KindEnd   = "end"
	KindMark  = "mark"  // text
	KindLoss  = "loss"  // channel, reason, count, until_s, detail
	KindClock = "clock" // text, step_s, asleep_s, wall: the wall clock was set, the machine slept
	KindFile  = "file"  // file, text: the next capture file begins
	KindDisk  = "disk"  // text: the disk failed, recovered or is filling up

	// KindCorrection tells what of bag-info.txt was changed, while recording or
	// after the end: wall, changed (a list of label, from, to).
	KindCorrection = "correction"
)

// maxEntry bounds one line of the journal.
const maxEntry = 1 << 20

// Entry is one line of the journal.
type Entry struct {
	Time   capture.Stamp
	Kind   string
	Fields json.RawMessage // the whole object, time_s and kind included
}

// appendEntry appends one line. fields must marshal to a JSON object or be nil.
func appendEntry(dst []byte, kind string, t capture.Stamp, fields any) ([]byte, error) {
	name, err := json.Marshal(kind)
	if err != nil {
		return dst, err
	}
	var rest []byte
	if fields != nil {
		if rest, err = json.Marshal(fields); err != nil {
			return dst, fmt.Errorf("journal entry %s: %w", kind, err)
		}
		if len(rest) < 2 || rest[0] != '{' {
			return dst, fmt.Errorf("journal entry %s: expected a JSON object, found %s", kind, clip(string(rest)))
		}
		if len(rest) > maxEntry-256 {
			return dst, fmt.Errorf("journal entry %s: %d bytes; expected at most %d", kind, len(rest), maxEntry-256)
		}
		rest = rest[1 : len(rest)-1]
	}
	dst = append(dst, `{"time_s":`...)
	dst = appendSeconds(dst, t)
	dst = append(append(dst, `,"kind":`...), name...)
	if len(rest) > 0 {
		dst = append(append(dst, ','), rest...)
	}
	return append(dst, '}', '\n'), nil
}

// appendSeconds writes a stamp as exact decimal seconds.
func appendSeconds(dst []byte, t capture.Stamp) []byte {
	u := uint64(t)
	if t < 0 {
		dst, u = append(dst, '-'), -u
	}
	dst = strconv.AppendUint(dst, u/1e9, 10)
	if frac := u % 1e9; frac != 0 {
		s := fmt.Sprintf(".%09d", frac)
		dst = append(dst, strings.TrimRight(s, "0")...)
	}
	return dst
}

// parseSeconds reads what appendSeconds writes, and any other decimal number
// of seconds as exactly as nanoseconds allow.
func parseSeconds(s string) (capture.Stamp, error) {
	bad := fmt.Errorf("time_s: expected decimal seconds such as 12.34, found %q", clip(s))
	digits, negative := strings.CutPrefix(s, "-")
	whole, frac, _ := strings.Cut(digits, ".")
	if strings.ContainsAny(digits, "eE") {
		f, err := strconv.ParseFloat(s, 64)
		if err != nil || f != f || f > 9e9 || f < -9e9 {
			return 0, bad
		}
		return capture.Stamp(f * 1e9), nil
	}
	frac = (frac + "000000000")[:9]
	sec, err1 := strconv.ParseUint(whole, 10, 63)
	ns, err2 := strconv.ParseUint(frac, 10, 63)
	if err1 != nil || err2 != nil || sec > 9_223_372_035 {
		return 0, bad
	}
	t := capture.Stamp(sec*1e9 + ns)
	if negative {
		t = -t
	}
	return t, nil
}

// parseEntry reads one line.
func parseEntry(line []byte) (Entry, error) {
	var head struct {
		Time json.Number `json:"time_s"`
		Kind string      `json:"kind"`
	}
	if err := json.Unmarshal(line, &head); err != nil {
		return Entry{}, fmt.Errorf("expected one JSON object a line, found %q", clip(string(line)))
	}
	if head.Time == "" || head.Kind == "" {
		return Entry{}, fmt.Errorf("expected time_s and kind, found %q", clip(string(line)))
	}
	t, err := parseSeconds(string(head.Time))
	return Entry{Time: t, Kind: head.Kind, Fields: bytes.Clone(line)}, err
}

// ErrCutJournal tells that the last line of a journal has no end: the session
// was cut off while it was written. Everything before is whole.
var ErrCutJournal = errors.New("the last line is cut off, as by a power failure")

// entries reads a journal line by line in bounded memory. A bad line yields an
// error with its number, and reading goes on behind it.
func entries(r io.Reader, name string) iter.Seq2[Entry, error] {
	return func(yield func(Entry, error) bool) {
		br := bufio.NewReaderSize(r, 64<<10)
		var line []byte
		for n := 1; ; n++ {
			line = line[:0]
			long := false
			var err error
			for {
				var part []byte
				part, err = br.ReadSlice('\n')
				if len(line)+len(part) > maxEntry {
					long = true
				} else {
					line = append(line, part...)
				}
				if err != bufio.ErrBufferFull {
					break
				}
			}
			var e Entry
			var bad error
			switch text := bytes.TrimSpace(line); {
			case err != nil && err != io.EOF:
				yield(Entry{}, fmt.Errorf("%s:%d: %w", name, n, err))
				return
			case err == io.EOF && len(line) == 0 && !long:
				return
			case err == io.EOF:
				yield(Entry{}, fmt.Errorf("%s:%d: %w", name, n, ErrCutJournal))
				return
			case long:
				bad = fmt.Errorf("%s:%d: a line of more than %d bytes", name, n, maxEntry)
			case len(text) == 0:
				continue
			default:
				if e, bad = parseEntry(text); bad != nil {
					bad = fmt.Errorf("%s:%d: %w", name, n, bad)
				}
			}
			if !yield(e, bad) {
				return
			}
		}
	}
}
