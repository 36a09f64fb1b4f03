package signals

import (
	"reflect"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"gearwitness/signals/diag"
	"gearwitness/signals/unit"
)

// Lines describes the text of one serial instrument; the entry's name is that
// of its port (`as=` in the source's address).
type Lines struct {
	Form       Form          `key:"form" help:"nmea, columns or pairs" need:"yes"`
	Separator  string        `key:"separator" help:"between columns or pairs; a comma when left out, blank for any white space"`
	Begins     string        `key:"begins" help:"only lines that begin with this count; it is no part of the columns"`
	Every      time.Duration `key:"every" help:"expected period, such as 1 s"`
	StaleAfter time.Duration `key:"stale_after" help:"age at which its signals count as gone; three periods when left out"`
	Note       string        `key:"note" help:"free text"`
	Signals    Named[Text]   `key:"signals" help:"the fields of a line" name:"identifier" need:"yes"`
}

// Form is how a line is divided.
type Form uint8

// Forms of lines.
const (
	NMEA    Form = iota // NMEA 0183 sentences with checksum
	Columns             // fields between separators
	Pairs               // key=value between separators
)

// Text is one field of a line: value = figure * Resolution + Offset.
type Text struct {
	Sentence   string    `key:"sentence" help:"NMEA 0183 sentence, its last three letters, such as RMC"`
	Field      int       `key:"field" help:"NMEA 0183 field, counted from 1 after the sentence's name"`
	Column     int       `key:"column" help:"column, counted from 1"`
	Key        string    `key:"key" help:"text before the = of a pair"`
	Resolution float64   `key:"resolution" help:"unit per step; 1 when left out"`
	Offset     float64   `key:"offset" help:"value of the figure 0"`
	Unit       unit.Unit `key:"unit" help:"such as km/h, bar"`
	Range      *Range    `key:"range" help:"[lowest, highest] value that can be true"`
	States     States    `key:"states" help:"text of whole numbers, such as {0: none, 1: fix}"`
	Missing    []string  `key:"missing" help:"texts that mean not available; an empty field always does"`
	Title      string    `key:"title" help:"shown instead of the name"`
	Note       string    `key:"note" help:"free text"`
}

// Stale returns the age at which the instrument's signals no longer count: what
// the file says, else three periods; 0, for never, where it states no period.
func (l *Lines) Stale() time.Duration {
	if l.StaleAfter == 0 {
		return 3 * l.Every
	}
	return l.StaleAfter
}

func (r *rules) validateLines() {
	for i, e := range r.file.Lines {
		path := sub("", "lines", e.Name)
		if r.bad[path] {
			continue
		}
		r.validateInstrument(&r.file.Lines[i].V, path)
		for _, s := range e.V.Signals {
			r.define(at(s), s.Name, s.V.Unit, s.V.States)
		}
	}
}

func (r *rules) validateInstrument(l *Lines, path string) {
	r.validatePeriod(path, l.Every, l.StaleAfter)
	if !r.has(path, "form") {
		return
	}
	if l.Form == NMEA {
		for key, given := range map[string]bool{"separator": l.Separator != "", "begins": l.Begins != ""} {
			if given {
				r.wrongKey(path, key, diag.Say("an NMEA 0183 sentence has its own form"))
			}
		}
	}
	if utf8.RuneCountInString(l.Separator) > 8 {
		r.wrongKey(path, "separator", diag.Expect("at most 8 characters"))
	}
	for i := range l.Signals {
		e := &l.Signals[i]
		p, s := sub(path, "signals", e.Name), &e.V
		if r.bad[p] {
			continue
		}
		given := map[string]bool{"sentence": s.Sentence != "", "field": r.has(p, "field"), "column": r.has(p, "column"), "key": s.Key != ""}
		want := map[Form][]string{NMEA: {"sentence", "field"}, Columns: {"column"}, Pairs: {"key"}}[l.Form]
		for _, key := range []string{"sentence", "field", "column", "key"} {
			_, written := r.spans[sub(p, key)]
			switch needed := slices.Contains(want, key); {
			case needed && !written:
				r.fail(at(*e), diag.Say("missing key %q", key).Expect("it with form %s", scalars[reflect.TypeFor[Form]()].write(l.Form)))
			case given[key] && !needed:
				r.wrongKey(p, key, diag.Say("does not go with form %s", scalars[reflect.TypeFor[Form]()].write(l.Form)).Expect("%s", strings.Join(want, " and ")))
			}
		}
		if given["sentence"] && (len(s.Sentence) != 3 || strings.ToUpper(s.Sentence) != s.Sentence) {
			r.wrongKey(p, "sentence", diag.Expect("the last three letters of its name, such as RMC").Got("%q", s.Sentence))
		}
		for key, n := range map[string]int{"field": s.Field, "column": s.Column} {
			if given[key] && (n < 1 || n > 100) {
				r.wrongKey(p, key, diag.Expect("1 to 100").Got("%d", n))
			}
		}
		if s.Resolution == 0 && r.has(p, "resolution") {
			r.wrongKey(p, "resolution", diag.Expect("a number other than 0"))
		}
		if len(s.States) > 0 && s.Unit != unit.None {
			r.wrongKey(p, "unit", diag.Say("a signal with states has none"))
		}
	}
}
