// Package readings judges what is measured by hand or seen on the bench, against
// the sheet of a vehicle file: the resistance of a coil, corrected to 20 °C,
// port pressures, the look of the fluid.
//
//	e, err := readings.Judge(file, readings.Input{Reading: "low_gears_coil", Value: "6.2 Ω", At: "23 °C"})
package readings

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"gearwitness/decode/geartrain"
	"gearwitness/signals"
	"gearwitness/signals/diag"
	"gearwitness/signals/unit"
)

// Kind is the kind of journal entry that holds an Entry.
const Kind = "reading"

// Verdicts of a reading.
const (
	Good  = "good"
	Bad   = "bad"
	Noted = "noted" // there are no limits
)

// Open is what was seen of a coil that has no resistance: its wire is broken.
const Open = "open circuit"

// broken is how meters and people write it.
var broken = []string{Open, "open", "OL", "O.L"}

// Input is a reading as somebody enters it.
type Input struct {
	Reading string `json:"reading"` // its name in the vehicle file
	Value   string `json:"value"`   // a figure, with its unit or in that of the sheet, or one of the choices; open or OL of a coil
	At      string `json:"at"`      // temperature of what was measured, where it is needed; °C where it has no unit
	Note    string `json:"note"`
	By      string `json:"by"` // who measured
}

// Entry is a reading as the journal keeps it. A later one of the same name
// supersedes it.
type Entry struct {
	Reading string   `json:"reading"`
	Title   string   `json:"title"`
	Value   *float64 `json:"value,omitempty"`  // in Unit
	Choice  string   `json:"choice,omitempty"` // what was seen, instead of a value; Open of a coil
	Unit    string   `json:"unit,omitempty"`
	Entered string   `json:"entered"`           // as it was typed
	Celsius *float64 `json:"celsius,omitempty"` // temperature of the coil
	// Corrected is the value of a coil at 20 °C; limits are those at 20 °C.
	Corrected *float64  `json:"corrected,omitempty"`
	Limits    []float64 `json:"limits,omitempty"` // lowest and highest good value
	Verdict   string    `json:"verdict"`          // good, bad or noted
	Note      string    `json:"note,omitempty"`
	By        string    `json:"by,omitempty"`
	Wall      string    `json:"wall,omitempty"` // RFC 3339: when it was entered
}

// Line is one line of a vehicle file's sheet.
type Line struct {
	Name    string    `json:"name"`
	Title   string    `json:"title"`
	Note    string    `json:"note,omitempty"`
	Unit    string    `json:"unit,omitempty"`
	Limits  []float64 `json:"limits,omitempty"`  // lowest and highest good value; those of a coil at 20 °C
	Coil    string    `json:"coil,omitempty"`    // solenoid whose coil it is: the temperature is needed too
	Choices []Choice  `json:"choices,omitempty"` // instead of a value
}

// Choice is something that may be seen.
type Choice struct {
	Text    string `json:"text"`
	Verdict string `json:"verdict"` // good or bad
}

// Sheet returns the lines of a vehicle file's bench sheet.
func Sheet(f *signals.File) []Line {
	lines := make([]Line, len(f.Readings))
	for i, e := range f.Readings {
		lines[i] = line(f, e.Name, &e.V)
	}
	return lines
}

func line(f *signals.File, name string, r *signals.Reading) Line {
	l := Line{Name: name, Title: r.Title, Note: r.Note, Unit: string(r.Unit)}
	if r.Limits != nil {
		l.Limits = []float64{r.Limits.Low, r.Limits.High}
	}
	for _, c := range r.Choices {
		l.Choices = append(l.Choices, Choice{c.Name, c.V.String()})
	}
	if r.Solenoid != "" && f.Transmission != nil {
		l.Coil, l.Unit = r.Solenoid, string(unit.Ohm)
		if j := f.Transmission.Solenoids.Index(r.Solenoid); j >= 0 {
			if lim, ok := f.Transmission.Solenoids[j].V.CoilLimits(); ok {
				l.Limits = []float64{clean(lim.Low), clean(lim.High)}
			}
		}
	}
	return l
}

// clean takes off what binary fractions add: 6.1 - 0.5 is 5.6.
func clean(v float64) float64 { return math.Round(v*1e9) / 1e9 }

// Temperatures of a coil that can be true [°C].
const coldest, hottest = -60, 250

// largest is what no meter shows any more.
const largest = 1e12

const maxText = 500 // bytes of a note or a name

// Judge reads an input against the sheet of a vehicle file. The error says what
// was expected and names the nearest right spelling.
func Judge(f *signals.File, in Input) (Entry, error) {
	var names []string
	for _, e := range f.Readings {
		names = append(names, e.Name)
	}
	if len(names) == 0 {
		return Entry{}, fmt.Errorf("the vehicle file has no bench sheet; it would stand under readings")
	}
	i := f.Readings.Index(in.Reading)
	if i < 0 {
		hint := diag.Suggest(in.Reading, names)
		if hint == "" {
			hint = "; there are " + strings.Join(names, ", ")
		}
		return Entry{}, fmt.Errorf("there is no reading %q on the sheet%s", clip(in.Reading), hint)
	}
	for name, text := range map[string]string{"the note": in.Note, "who measured": in.By, "the value": in.Value, "the temperature": in.At} {
		if len(text) > maxText || !utf8.ValidString(text) || strings.ContainsFunc(text, unicode.IsControl) {
			return Entry{}, fmt.Errorf("%s: expected at most %d bytes on one line", name, maxText)
		}
	}
	l := line(f, in.Reading, &f.Readings[i].V)
	e := Entry{Reading: l.Name, Title: l.Title, Unit: l.Unit, Entered: strings.TrimSpace(in.Value), Limits: l.Limits, Verdict: Noted,
		Note: strings.TrimSpace(in.Note), By: strings.TrimSpace(in.By)}
	at := strings.TrimSpace(in.At)
	if at != "" && l.Coil == "" {
		return Entry{}, fmt.Errorf("%s: a temperature goes with the resistance of a coil only; leave it out or put it into the note", l.Name)
	}
	if len(l.Choices) > 0 {
		return e, choose(&e, l)
	}
	if e.Entered == "" {
		return Entry{}, fmt.Errorf("%s: expected a figure%s, found none", l.Name, inUnit(l.Unit))
	}
	if l.Coil != "" && slices.ContainsFunc(broken, func(s string) bool { return strings.EqualFold(s, e.Entered) }) {
		e.Choice, e.Verdict = Open, Bad
		return e, nil
	}
	v, err := signals.ReadFigure(e.Entered, unit.Unit(l.Unit))
	if err != nil {
		return Entry{}, fmt.Errorf("%s: %w", l.Name, err)
	}
	if math.Abs(v) > largest {
		return Entry{}, fmt.Errorf("%s: expected a figure up to %g, found %q", l.Name, float64(largest), clip(e.Entered))
	}
	v = clean(v)
	e.Value = &v
	judged := v
	if l.Coil != "" {
		if at == "" {
			return Entry{}, fmt.Errorf("%s: the temperature of the coil is missing, such as 23 °C; copper changes by 0.4 %% a kelvin", l.Name)
		}
		celsius, err := signals.ReadFigure(degrees(at), unit.Celsius)
		if err != nil {
			return Entry{}, fmt.Errorf("temperature of the coil: %w", err)
		}
		if celsius = clean(celsius); celsius < coldest || celsius > hottest {
			return Entry{}, fmt.Errorf("temperature of the coil: expected %d to %d °C, found %g °C", coldest, hottest, celsius)
		}
		if v < 0 {
			return Entry{}, fmt.Errorf("%s: expected a resistance from 0 up, found %g Ω", l.Name, v)
		}
		judged = math.Round(geartrain.CoilAt20(v, celsius)*1e6) / 1e6
		e.Celsius, e.Corrected = &celsius, &judged
	}
	if l.Limits != nil {
		e.Verdict = Bad
		if judged >= l.Limits[0] && judged <= l.Limits[1] {
			e.Verdict = Good
		}
	}
	return e, nil
}

// degrees puts the degree sign where a keyboard has none: 23 C, 73 F.
func degrees(s string) string {
	if n := len(s) - 1; n > 0 && (s[n] == 'C' || s[n] == 'F') && (s[n-1] == ' ' || s[n-1] >= '0' && s[n-1] <= '9') {
		return s[:n] + "°" + s[n:]
	}
	return s
}

func inUnit(u string) string {
	if u == "" {
		return ""
	}
	return " in " + u
}

// choose finds what was seen among the choices.
func choose(e *Entry, l Line) error {
	var texts []string
	for _, c := range l.Choices {
		if strings.EqualFold(c.Text, e.Entered) {
			e.Choice, e.Verdict = c.Text, c.Verdict
			return nil
		}
		texts = append(texts, c.Text)
	}
	hint := diag.Suggest(e.Entered, texts)
	if hint == "" {
		hint = "; expected one of: " + strings.Join(texts, ", ")
	}
	return fmt.Errorf("%s: %q is none of the choices%s", l.Name, clip(e.Entered), hint)
}

// Stamped returns the entry with the wall clock's time.
func (e Entry) Stamped(t time.Time) Entry {
	e.Wall = t.Round(time.Second).Format(time.RFC3339)
	return e
}

// Text is what was read, for people: "6.2 Ω at 23 °C, 6.127 Ω at 20 °C".
func (e Entry) Text() string {
	if e.Value == nil {
		return e.Choice
	}
	text := figure(*e.Value, e.Unit)
	if e.Celsius != nil {
		text += " at " + figure(*e.Celsius, string(unit.Celsius))
	}
	if e.Corrected != nil {
		text += ", " + figure(math.Round(*e.Corrected*1e3)/1e3, e.Unit) + " at 20 °C"
	}
	return text
}

// LimitText is what it should be, for people; empty where there are no limits.
func (e Entry) LimitText() string {
	return limitText(e.Limits, e.Unit, e.Corrected != nil || e.Choice == Open)
}

// LimitText is what it should be, for people; empty where there are no limits.
func (l Line) LimitText() string {
	if l.Choices != nil {
		var good []string
		for _, c := range l.Choices {
			if c.Verdict == Good {
				good = append(good, c.Text)
			}
		}
		return strings.Join(good, " or ")
	}
	return limitText(l.Limits, l.Unit, l.Coil != "")
}

func limitText(limits []float64, u string, coil bool) string {
	if len(limits) != 2 {
		return ""
	}
	text := strings.TrimSuffix(figure(limits[0], ""), " ") + " to " + figure(limits[1], u)
	if coil {
		text += " at 20 °C"
	}
	return text
}

func figure(v float64, u string) string {
	text := strings.Replace(strconv.FormatFloat(math.Round(v*1e4)/1e4, 'f', -1, 64), "-", "−", 1)
	if u != "" {
		text += " " + u
	}
	return text
}

// Parse reads an entry of the journal.
func Parse(fields []byte) (Entry, error) {
	var e Entry
	if err := json.Unmarshal(fields, &e); err != nil || e.Reading == "" {
		return e, fmt.Errorf("expected a reading, found %q", clip(string(fields)))
	}
	return e, nil
}

// clip shortens foreign text that goes into a message.
func clip(s string) string {
	const most = 60
	if len(s) > most {
		s = strings.ToValidUTF8(s[:most], "") + "..."
	}
	return s
}
