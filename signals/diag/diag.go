// Package diag holds findings about text that a person wrote: where, what was
// found, what was expected and what to do. A Finding is a Message at a place; both
// are data, and Text, Error and Excerpt turn them into words.
//
// Lines and columns count from 1, columns in Unicode code points, a tab as one.
package diag

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"
)

// Pos is a place in a file.
type Pos struct {
	File   string `json:"file"`
	Line   int    `json:"line"`
	Column int    `json:"column"`
}

// String returns file:line:column; what is zero is left out.
func (p Pos) String() string {
	switch {
	case p.Line == 0:
		return p.File
	case p.Column == 0:
		return fmt.Sprintf("%s:%d", p.File, p.Line)
	}
	return fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Column)
}

// compare orders by file, line, column.
func (p Pos) compare(q Pos) int {
	if c := strings.Compare(p.File, q.File); c != 0 {
		return c
	}
	if p.Line != q.Line {
		return p.Line - q.Line
	}
	return p.Column - q.Column
}

// Severity orders findings.
type Severity uint8

// Severities: an error stops the use of a file, a warning does not.
const (
	Error Severity = iota
	Warning
)

// String returns "error" or "warning".
func (s Severity) String() string {
	if s == Warning {
		return "warning"
	}
	return "error"
}

// MarshalText returns what String returns.
func (s Severity) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Finding is one thing to tell about a file.
type Finding struct {
	Severity Severity
	Pos      Pos // first character of the subject
	Length   int // of the subject in code points, at least 1
	Message
	Also *Pos // the other place of a duplicate or contradiction
}

// String is the finding on one line: file:line:column, then what is wrong.
func (f Finding) String() string {
	var b strings.Builder
	b.WriteString(f.Pos.String())
	b.WriteString(": ")
	if f.Severity == Warning {
		b.WriteString("warning: ")
	}
	b.WriteString(f.Text())
	if f.Also != nil {
		fmt.Fprintf(&b, "; see %v", *f.Also)
	}
	return b.String()
}

// MarshalJSON returns the finding as one object: severity, file, line, column and
// length in code points, text as Text gives it, then the parts of the message that
// say something, and also.
func (f Finding) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		Severity Severity `json:"severity"`
		Pos
		Length int    `json:"length"`
		Text   string `json:"text"`
		Message
		Also *Pos `json:"also,omitempty"`
	}{f.Severity, f.Pos, f.Length, f.Text(), f.Message, f.Also})
}

// Excerpt is the one-line form followed by the line of the source with the
// subject underlined; source is the whole text of the file. Where the source
// does not reach that far, the one line stands alone. It ends with a line end.
func (f Finding) Excerpt(source []byte) string {
	var b strings.Builder
	b.WriteString(f.String())
	b.WriteByte('\n')
	line, ok := lineOf(source, f.Pos.Line)
	if !ok || f.Pos.Column < 1 {
		return b.String()
	}
	runes := []rune(line)
	start := f.Pos.Column - 1
	if start > len(runes) {
		return b.String()
	}
	length := min(max(f.Length, 1), max(len(runes)-start, 1))
	// A long line is cut around its subject.
	const most = 120
	cut := 0
	if len(runes) > most {
		cut = max(0, min(start-20, len(runes)-most))
		runes = runes[cut:min(cut+most, len(runes))]
		start -= cut
		length = min(length, max(len(runes)-start, 1))
	}
	for i, r := range runes {
		if r < ' ' || r == 0x7F || r == utf8.RuneError || 0x80 <= r && r < 0xA0 {
			runes[i] = ' ' // a tab counts as one column; control characters must not reach a terminal
		}
	}
	number := fmt.Sprintf("%5d", f.Pos.Line)
	fmt.Fprintf(&b, "%s | %s\n", number, string(runes))
	fmt.Fprintf(&b, "%*s | %s%s\n", len(number), "", strings.Repeat(" ", start), strings.Repeat("~", length))
	return b.String()
}

// lineOf returns line n of text, counted from 1, without its line end.
func lineOf(text []byte, n int) (string, bool) {
	if n < 1 {
		return "", false
	}
	rest := string(text)
	for ; n > 1; n-- {
		_, after, ok := strings.Cut(rest, "\n")
		if !ok {
			return "", false
		}
		rest = after
	}
	line, _, _ := strings.Cut(rest, "\n")
	return strings.TrimSuffix(line, "\r"), true
}

// most is the largest number of findings that are written out.
const most = 50

// List is a collection of findings, an error when it holds one of severity
// Error.
type List []Finding

// Add appends a finding of severity Error.
func (l *List) Add(pos Pos, length int, m Message) {
	*l = append(*l, Finding{Pos: pos, Length: length, Message: m})
}

// Warn appends a finding of severity Warning.
func (l *List) Warn(pos Pos, length int, m Message) {
	*l = append(*l, Finding{Severity: Warning, Pos: pos, Length: length, Message: m})
}

// Sort orders the findings by place, errors before warnings at the same one,
// and drops exact repetitions.
func (l *List) Sort() {
	slices.SortStableFunc(*l, func(a, b Finding) int {
		if c := a.Pos.compare(b.Pos); c != 0 {
			return c
		}
		return int(a.Severity) - int(b.Severity)
	})
	*l = slices.CompactFunc(*l, func(a, b Finding) bool {
		return a.Pos == b.Pos && a.Severity == b.Severity && a.Message == b.Message
	})
}

// Errors returns how many findings are of severity Error.
func (l List) Errors() int {
	n := 0
	for _, f := range l {
		if f.Severity == Error {
			n++
		}
	}
	return n
}

// Err returns the list as an error, or nil when it holds no Error.
func (l List) Err() error {
	if l.Errors() == 0 {
		return nil
	}
	return l
}

// Error returns one line a finding, at most 50, then how many more there are.
func (l List) Error() string {
	return strings.TrimSuffix(l.join(func(f Finding) string { return f.String() + "\n" }), "\n")
}

// Excerpts returns every finding with its line of the source, at most 50, then
// how many more there are. source gives the text of a file by the name in Pos;
// nil where it is not known.
func (l List) Excerpts(source func(file string) []byte) string {
	texts := make(map[string][]byte)
	return l.join(func(f Finding) string {
		text, ok := texts[f.Pos.File]
		if !ok {
			text = source(f.Pos.File)
			texts[f.Pos.File] = text
		}
		return f.Excerpt(text)
	})
}

func (l List) join(one func(Finding) string) string {
	var b strings.Builder
	for i, f := range l {
		if i == most {
			fmt.Fprintf(&b, "and %d more\n", len(l)-most)
			break
		}
		b.WriteString(one(f))
	}
	return b.String()
}
