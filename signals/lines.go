package signals

import (
	"time"

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
