package finding

import (
	"fmt"
	"math"
	"strings"

	"gearwitness/capture"
	"gearwitness/signals"
)

// Kind is one kind of finding. The limits are those of the alarm that goes with it.
type Kind struct {
	Name  string        // in the vehicle file, events and metrics: "element_slips"
	Title string        // for people: "slips while it has to carry"
	Level signals.Level // of its alarm, unless the vehicle file says otherwise
	Unit  string        // of its figure; empty where it has none
	After capture.Stamp // it must be seen for so long in one stretch before it is told
	Gone  capture.Stamp // it must be absent, where it would show, for so long before it is over
	// Lasts is how long the alarm of something that happens once stays up.
	Lasts capture.Stamp
	text  string // %s: subject, %v: figure
	say   string // what to do
}

const (
	ms  = capture.Stamp(1e6)
	sec = 1000 * ms
)

// Limits; common practice, no source.
const (
	SlipRPM  = 60   // slip of an element that has to carry
	SlipPart = 0.03 // the same as part of the input speed, whichever is more
)

// The kinds of finding. Where a kind speaks of a shift, its subject is the shift:
// "2-3".
var (
	ElementSlips = &Kind{Name: "element_slips", Title: "slips while it has to carry", Level: signals.LevelCaution, Unit: "rpm", After: 300 * ms, Gone: 5 * sec,
		text: "%s slips while it has to carry", say: "Ease off."}
	ShiftMissing = &Kind{Name: "shift_did_not_come", Title: "did not come", Level: signals.LevelCaution, Gone: 0, Lasts: 8 * sec,
		text: "Shift %s did not come", say: "Ease off."}
	ShiftUnasked = &Kind{Name: "shift_unasked", Title: "came unasked", Level: signals.LevelCaution, Lasts: 8 * sec,
		text: "Shift %s came although another gear was asked for", say: "Ease off."}
	ShiftLate = &Kind{Name: "shift_late", Title: "was late", Level: signals.LevelNote, Unit: "s", Lasts: 8 * sec,
		text: "Shift %s was late"}
	ShiftFlares = &Kind{Name: "shift_flares", Title: "flared", Level: signals.LevelNote, Unit: "rpm", After: 40 * ms, Lasts: 8 * sec,
		text: "Shift %s flares"}
	ShiftBinds = &Kind{Name: "shift_binds", Title: "bound up", Level: signals.LevelNote, Unit: "m/s²", Lasts: 8 * sec,
		text: "Shift %s binds up"}
	EngagementLate = &Kind{Name: "engagement_late", Title: "engaged late", Level: signals.LevelNote, Unit: "s", Lasts: 8 * sec,
		text: "Gear %s engaged late"}
	EngagementMissing = &Kind{Name: "engagement_did_not_come", Title: "did not engage", Level: signals.LevelCaution, Lasts: 8 * sec,
		text: "Gear %s did not engage", say: "Foot off the pedal."}
	LockupSlips = &Kind{Name: "lockup_slips", Title: "slips while it is told to hold", Level: signals.LevelCaution, Unit: "rpm", After: sec, Gone: 10 * sec,
		text: "%s slips while it is told to hold", say: "Ease off."}
	LockupShudders = &Kind{Name: "lockup_shudders", Title: "shudders", Level: signals.LevelNote, Unit: "rpm", After: 500 * ms, Gone: 20 * sec,
		text: "%s shudders"}
	LockupHunts = &Kind{Name: "lockup_hunts", Title: "hunts", Level: signals.LevelNote, Lasts: 10 * sec,
		text: "%s locks and opens again and again"}
	SwitchContradicts = &Kind{Name: "switch_contradicts", Title: "contradicts the gear engaged", Level: signals.LevelNote, After: 2 * sec, Gone: 5 * sec,
		text: "%s contradicts the gear engaged"}
	ContactContradicts = &Kind{Name: "contact_contradicts", Title: "contradicts the lever", Level: signals.LevelNote, After: 0, Gone: 3 * sec,
		text: "%s contradicts the lever"}
	SensorSilent = &Kind{Name: "sensor_silent", Title: "gives no value", Level: signals.LevelCaution, After: 400 * ms, Gone: 2 * sec,
		text: "%s gives no value"}
	MessageGone = &Kind{Name: "message_gone", Title: "no longer comes", Level: signals.LevelCaution, Gone: sec,
		text: "Message %s no longer comes: the control unit that sends it is silent, or the bus is interrupted"}
	SensorZero = &Kind{Name: "sensor_zero", Title: "reads 0 while its shaft turns", Level: signals.LevelCaution, Gone: 5 * sec,
		text: "%s reads 0 while its shaft turns"}
	SensorWrong = &Kind{Name: "sensor_wrong", Title: "reads wrong", Level: signals.LevelNote, Unit: "%", Gone: 5 * sec,
		text: "%s reads wrong"}
	OilHot = &Kind{Name: "oil_hot", Title: "hot", Level: signals.LevelCaution, Unit: "°C", After: 2 * sec, Gone: 10 * sec,
		text: "%s is hot", say: "Ease off."}
	OilTooHot = &Kind{Name: "oil_too_hot", Title: "too hot", Level: signals.LevelStop, Unit: "°C", After: 2 * sec, Gone: 10 * sec,
		text: "%s is too hot", say: "Stop where it is safe and let it idle in neutral."}
	OilDifference = &Kind{Name: "oil_difference", Title: "difference too high in steady lock-up", Level: signals.LevelNote, Unit: "K", After: 30 * sec, Gone: 30 * sec,
		text: "Oil at the outlet stands too far above the pan in steady lock-up: the cooler's flow, or one of the two sensors"}
	StallHigh = &Kind{Name: "stall_high", Title: "stall speed too high", Level: signals.LevelNote, Unit: "rpm", Lasts: 10 * sec,
		text: "Stall speed in %s is too high"}
	StallLow = &Kind{Name: "stall_low", Title: "stall speed too low", Level: signals.LevelNote, Unit: "rpm", Lasts: 10 * sec,
		text: "Stall speed in %s is too low"}
)

// Kinds lists every kind, in an order for people.
var Kinds = [...]*Kind{
	ElementSlips, ShiftMissing, ShiftUnasked, ShiftLate, ShiftFlares, ShiftBinds, EngagementLate, EngagementMissing,
	LockupSlips, LockupShudders, LockupHunts, SwitchContradicts, ContactContradicts, SensorSilent, MessageGone, SensorZero, SensorWrong,
	OilHot, OilTooHot, OilDifference, StallHigh, StallLow,
}

// KindOf returns a kind by its name, nil where there is none.
func KindOf(name string) *Kind {
	for _, k := range Kinds {
		if k.Name == name {
			return k
		}
	}
	return nil
}

// of is the kind said of a subject.
func (k *Kind) of(subject string) string {
	if strings.Contains(k.text, "%s") {
		return upperFirst(fmt.Sprintf(k.text, subject))
	}
	return k.text
}

// sentence is the finding in the trade's words.
func (t *track) sentence() string {
	k, f := t.key.Kind, &t.f
	text := k.of(f.Title)
	if f.Worst != nil {
		text += fmt.Sprintf(", %s", figure(*f.Worst, f.Unit))
	}
	if len(f.Gears) > 0 && t.key.Part != "shift" {
		word := " in gear "
		text += word + strings.Join(f.Gears, ", ")
	}
	if f.Times > 1 {
		text += fmt.Sprintf(", %d times", f.Times)
	}
	if t.or != "" {
		text += "; or " + t.or
	}
	return text
}

// speech is the finding as it is spoken: what, where, how much, what to do.
func (t *track) speech() string {
	k, f := t.key.Kind, &t.f
	text := k.of(spokenSubject(t.key.Part, f.Title))
	if n := len(f.Gears); n > 0 && t.key.Part != "shift" {
		text += " in " + spokenGear(f.Gears[n-1])
	}
	if f.Worst != nil {
		text += ", " + spoken(*f.Worst, f.Unit)
	}
	text += "."
	if k.say != "" {
		text += " " + k.say
	}
	return text
}

func spokenSubject(part, title string) string {
	if part == "shift" {
		if from, to, ok := strings.Cut(title, "-"); ok {
			return spokenGear(from) + " to " + spokenGear(to)
		}
	}
	return strings.NewReplacer("-", " ", "_", " ").Replace(title)
}

func figure(v float64, unit string) string {
	digits := 0
	switch unit {
	case "s", "m/s²":
		digits = 1
	case "%":
		digits = 1
	}
	return fmt.Sprintf("%.*f %s", digits, v, unit)
}

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

var units = map[string]string{"rpm": "r p m", "s": "seconds", "%": "percent", "°C": "degrees", "K": "degrees", "m/s²": "metres per second squared"}

// spoken says a figure with two figures of accuracy, as one hears it.
func spoken(v float64, unit string) string {
	v = math.Abs(v)
	switch {
	case v >= 100:
		v = math.Round(v/10) * 10
	case v >= 10:
		v = math.Round(v)
	}
	text := Words(int(v))
	if v < 10 && v != math.Trunc(v) {
		text += " point " + Words(int(math.Round((v-math.Trunc(v))*10))%10)
	}
	return text + " " + units[unit]
}

func spokenGear(name string) string {
	switch name {
	case "R":
		return "reverse"
	}
	if len(name) == 1 && name[0] >= '0' && name[0] <= '9' {
		return Words(int(name[0] - '0'))
	}
	return name
}

var small = [...]string{"zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
	"thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"}
var tens = [...]string{2: "twenty", 3: "thirty", 4: "forty", 5: "fifty", 6: "sixty", 7: "seventy", 8: "eighty", 9: "ninety"}

// Words writes a number from 0 to 999,999 as it is spoken in English.
func Words(n int) string {
	switch {
	case n < 0 || n > 999999:
		return fmt.Sprint(n)
	case n < 20:
		return small[n]
	case n < 100:
		if n%10 == 0 {
			return tens[n/10]
		}
		return tens[n/10] + " " + small[n%10]
	case n < 1000:
		if n%100 == 0 {
			return small[n/100] + " hundred"
		}
		return small[n/100] + " hundred " + Words(n%100)
	}
	if n%1000 == 0 {
		return Words(n/1000) + " thousand"
	}
	return Words(n/1000) + " thousand " + Words(n%1000)
}
