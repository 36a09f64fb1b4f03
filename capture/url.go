package capture

import (
	"fmt"
	"maps"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
)

// URL names a source as the user writes it: a kind, what to open, parameters.
//
//	slcan:/dev/ttyUSB0?bitrate=500k
//	slcan:COM5?bitrate=250k&as=powertrain
//	socketcan:can0
//	lines:/dev/ttyACM0?baud=115200&as=gps
//	capture:drives/hill.pcapng?speed=4
//	van:?seed=7&for=20m&fault=NAME@60s=0.3
//
// The path stands as it is, with backslashes, drive letters and blanks; only a
// question mark within it is written %3F. In values %XX and nothing else is
// replaced, so that a plus sign stays one.
type URL struct {
	Scheme string // one of Schemes
	Path   string // device, interface or file; may be empty for van
	Name   string // what the user calls the bus or instrument (as=, or bus=), or empty
	Query  url.Values
}

// parameters are those that each kind of source understands, beside as and bus.
var parameters = map[string][]string{
	"slcan":     {"bitrate", "baud", "stamps", "status"},
	"socketcan": {"bitrate", "stamps"},
	"lines":     {"baud"},
	"capture":   {"speed"},
	"van":       {"seed", "for", "drive", "oil", "ambient", "fault"},
}

// repeatable parameters may stand more than once.
var repeatable = []string{"fault"}

// Schemes returns the kinds of sources, in alphabetical order.
func Schemes() []string { return slices.Sorted(maps.Keys(parameters)) }

// IsURL tells whether text begins with a kind of source and is meant as a
// source rather than a file: "C:\drive.pcapng" and "drive.pcapng" are files.
func IsURL(text string) bool {
	scheme, _, ok := strings.Cut(text, ":")
	return ok && slices.Contains(Schemes(), strings.ToLower(scheme))
}

// ParseURL reads the text of a source. Its errors say what was expected and the
// nearest valid spelling.
func ParseURL(text string) (URL, error) {
	fail := func(format string, args ...any) (URL, error) {
		return URL{}, fmt.Errorf("source %q: %s", text, fmt.Sprintf(format, args...))
	}
	kinds := strings.Join(Schemes(), ", ")
	scheme, rest, ok := strings.Cut(text, ":")
	scheme = strings.ToLower(scheme)
	if !ok || len(scheme) == 1 || strings.ContainsAny(scheme, `/\.`) {
		switch {
		case slices.Contains(Schemes(), scheme):
			return fail("a colon must follow the kind of source, as in %s:", scheme)
		case strings.HasPrefix(text, "/dev/") || strings.HasPrefix(strings.ToUpper(text), "COM"):
			return fail("expected a kind of source (%s) before a colon; for a serial-line CAN adapter write slcan:%s?bitrate=500k", kinds, text)
		}
		return fail("expected a kind of source (%s) before a colon; for a capture file write capture:%s", kinds, text)
	}
	known, ok := parameters[scheme]
	if !ok {
		return fail("unknown kind of source %q; expected one of %s%s", scheme, kinds, didYouMean(scheme, Schemes()))
	}
	known = append([]string{"as", "bus"}, known...)

	path, query, _ := strings.Cut(rest, "?")
	u := URL{Scheme: scheme, Path: strings.NewReplacer("%3F", "?", "%3f", "?").Replace(path), Query: url.Values{}}
	if u.Path == "" && scheme != "van" {
		return fail("nothing to open; expected %s", map[string]string{
			"slcan":     "a serial port, as in slcan:/dev/ttyUSB0 or slcan:COM5",
			"socketcan": "an interface, as in socketcan:can0",
			"lines":     "a serial port, as in lines:/dev/ttyACM0 or lines:COM6",
			"capture":   "a file, as in capture:drive.pcapng",
		}[scheme])
	}
	if strings.ContainsRune(u.Path, 0) {
		return fail("a NUL character cannot be part of a name")
	}
	for part := range strings.SplitSeq(query, "&") {
		if part == "" {
			continue
		}
		key, raw, ok := strings.Cut(part, "=")
		if !slices.Contains(known, key) {
			return fail("unknown parameter %q; %s: knows %s%s", key, scheme, strings.Join(known, ", "), didYouMean(key, known))
		}
		value, err := url.PathUnescape(raw)
		if err != nil {
			return fail("parameter %s: %q has a percent sign that two hexadecimal digits do not follow; write %%25 for the sign itself", key, raw)
		}
		if !ok || value == "" {
			return fail("parameter %s has no value; expected %s=...", key, key)
		}
		if u.Query.Has(key) && !slices.Contains(repeatable, key) {
			return fail("parameter %s stands twice; expected it once", key)
		}
		u.Query.Add(key, value)
	}
	if u.Query.Has("as") && u.Query.Has("bus") {
		return fail("as and bus mean the same; expected one of them")
	}
	u.Name = u.Query.Get("as") + u.Query.Get("bus")
	return u, nil
}

// String returns text that ParseURL reads back to the same URL.
func (u URL) String() string {
	var b strings.Builder
	b.WriteString(u.Scheme + ":" + strings.ReplaceAll(u.Path, "?", "%3F"))
	sep := byte('?')
	for _, key := range slices.Sorted(maps.Keys(u.Query)) {
		for _, value := range u.Query[key] {
			b.WriteByte(sep)
			b.WriteString(key + "=" + strings.NewReplacer("%", "%25", "&", "%26").Replace(value))
			sep = '&'
		}
	}
	return b.String()
}

// wrong is the error of a parameter's value.
func (u URL) wrong(key, expected string) error {
	return fmt.Errorf("source %q: parameter %s: expected %s, found %q", u.String(), key, expected, u.Query.Get(key))
}

// Text returns a parameter, or or where it is not given.
func (u URL) Text(key, or string) string {
	if !u.Query.Has(key) {
		return or
	}
	return u.Query.Get(key)
}

// Choice returns a parameter that must be one of allowed; the first is meant
// where it is not given.
func (u URL) Choice(key string, allowed ...string) (string, error) {
	v := u.Text(key, allowed[0])
	if !slices.Contains(allowed, v) {
		return "", fmt.Errorf("%w%s", u.wrong(key, strings.Join(allowed, " or ")), didYouMean(v, allowed))
	}
	return v, nil
}

// Int returns a whole number of at least least.
func (u URL) Int(key string, or, least int) (int, error) {
	if !u.Query.Has(key) {
		return or, nil
	}
	v, err := strconv.Atoi(u.Query.Get(key))
	if err != nil || v < least {
		return 0, u.wrong(key, fmt.Sprintf("a whole number of at least %d", least))
	}
	return v, nil
}

// Positive returns a number above 0.
func (u URL) Positive(key string, or float64) (float64, error) {
	if !u.Query.Has(key) {
		return or, nil
	}
	v, err := strconv.ParseFloat(u.Query.Get(key), 64)
	if err != nil || !(v > 0) || math.IsInf(v, 1) {
		return 0, u.wrong(key, "a number above 0")
	}
	return v, nil
}

// Duration returns a time above 0, written like 90s, 20m or 1h30m.
func (u URL) Duration(key string, or time.Duration) (time.Duration, error) {
	if !u.Query.Has(key) {
		return or, nil
	}
	v, err := time.ParseDuration(u.Query.Get(key))
	if err != nil || v <= 0 {
		return 0, u.wrong(key, "a time such as 90s, 20m or 1h30m")
	}
	return v, nil
}

// BitRate returns a bit rate in bit/s; see ParseBitRate.
func (u URL) BitRate(key string, or int) (int, error) {
	if !u.Query.Has(key) {
		return or, nil
	}
	v, err := ParseBitRate(u.Query.Get(key))
	if err != nil {
		return 0, u.wrong(key, "a bit rate such as 500k or 1M")
	}
	return v, nil
}

// maxBitRate is above any rate of a CAN data phase (8 Mbit/s).
const maxBitRate = 20_000_000

// ParseBitRate reads a bit rate in bit/s: "500k", "500 kbit/s", "1M", "83333".
func ParseBitRate(text string) (int, error) {
	number := strings.TrimSpace(text)
	number = strings.TrimSpace(strings.TrimSuffix(number, "bit/s"))
	factor := 1.0
	if n, ok := strings.CutSuffix(number, "k"); ok {
		number, factor = n, 1e3
	} else if n, ok := strings.CutSuffix(number, "M"); ok {
		number, factor = n, 1e6
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	rate := math.Round(v * factor)
	if err != nil || !(rate >= 1 && rate <= maxBitRate) {
		return 0, fmt.Errorf("bit rate %q: expected a rate such as 500k, 1M or 500 kbit/s, at most 20 Mbit/s", text)
	}
	return int(rate), nil
}

// didYouMean returns a hint when one of words is near to word.
func didYouMean(word string, words []string) string {
	best, least := "", 3
	for _, w := range words {
		if d := distance(strings.ToLower(word), w); d < least && d < len(w) {
			best, least = w, d
		}
	}
	if best == "" {
		return ""
	}
	return fmt.Sprintf("; did you mean %q?", best)
}

// distance is the number of characters to insert, delete or replace
// (Levenshtein). Words here come from a command line: the length is bounded to
// keep a hostile one cheap.
func distance(a, b string) int {
	if len(a) > 64 {
		return len(a)
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			diagonal, row[j+1] = row[j+1], min(diagonal+cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
