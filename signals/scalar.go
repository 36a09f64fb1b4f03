package signals

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"gearwitness/signals/bits"
	"gearwitness/signals/diag"
	"gearwitness/signals/unit"
)

// scalar is how one type is written as a single word or figure. read gets the
// text without quotes; its error says what was expected and found. write gives
// the shortest text that read understands.
type scalar struct {
	read  func(text string) (any, error)
	write func(v any) string
	// For the JSON Schema: types a YAML reader sees, and a pattern or the words
	// that are allowed.
	types   []string
	pattern string
	words   []string
}

// scalars are the types with a spelling of their own.
var scalars = map[reflect.Type]scalar{
	reflect.TypeFor[time.Duration](): {
		read:    func(s string) (any, error) { return readDuration(s) },
		write:   func(v any) string { return writeDuration(v.(time.Duration)) },
		types:   []string{"string"},
		pattern: `^[0-9]+(\.[0-9]+)? ?(µs|us|ms|s|min|h)$`,
	},
	reflect.TypeFor[BitRate](): {
		read:    func(s string) (any, error) { return readBitRate(s) },
		write:   func(v any) string { return writeBitRate(v.(BitRate)) },
		types:   []string{"string", "integer"},
		pattern: `^[0-9]+(\.[0-9]+)? ?(bit/s|kbit/s|Mbit/s|k|M)?$`,
	},
	reflect.TypeFor[bits.Pos](): {
		read:    func(s string) (any, error) { return readBitPos(s) },
		write:   func(v any) string { return v.(bits.Pos).String() },
		types:   []string{"number", "string"},
		pattern: `^[0-9]+\.[1-8]$`,
	},
	reflect.TypeFor[unit.Unit](): {
		read:  func(s string) (any, error) { return unit.Parse(s) },
		write: func(v any) string { return string(v.(unit.Unit)) },
		types: []string{"string"},
	},
	reflect.TypeFor[RawRange](): {
		read:    func(s string) (any, error) { return readRawRange(s) },
		write:   func(v any) string { return writeRawRange(v.(RawRange)) },
		types:   []string{"integer", "string"},
		pattern: `^-?(0x[0-9A-Fa-f]+|[0-9]+)(\.\.-?(0x[0-9A-Fa-f]+|[0-9]+))?$`,
	},
	reflect.TypeFor[bits.Order](): words[bits.Order]("little where the first byte is the least significant one, big where it is the most significant one", "little", "big"),
	reflect.TypeFor[Number]():     words[Number]("", "unsigned", "signed", "float"),
	reflect.TypeFor[Level]():      words[Level]("", "note", "caution", "stop"),
	reflect.TypeFor[Form]():       words[Form]("", "nmea", "columns", "pairs"),
	reflect.TypeFor[Grade]():      words[Grade]("", "good", "bad"),
	reflect.TypeFor[Service](): {
		read:    func(s string) (any, error) { return readService(s) },
		write:   func(v any) string { return fmt.Sprintf("0x%02X", uint8(v.(Service))) },
		types:   []string{"integer", "string"},
		pattern: `^(0x)?[0-9A-Fa-f]{1,2}$`,
	},
}

// readService reads a service, always in hexadecimal as the standards write it.
func readService(s string) (Service, error) {
	names := []string{"01", "02", "03", "07", "09", "0A", "19", "22"}
	u, err := strconv.ParseUint(strings.TrimPrefix(strings.ToLower(s), "0x"), 16, 8)
	if err == nil && slices.Contains(names, fmt.Sprintf("%02X", u)) {
		return Service(u), nil
	}
	return 0, diag.Expect("%s, in hexadecimal", oneOf(names)).Got("%q", s).Hint("services that write or clear cannot be expressed")
}

// words describes a type whose values 0, 1, 2 ... are written as these words; help
// says what they mean to those who write another.
func words[T ~uint8](help string, names ...string) scalar {
	return scalar{
		read: func(s string) (any, error) {
			for i, n := range names {
				if n == s {
					return T(i), nil
				}
			}
			return nil, diag.Expect("%s", oneOf(names)).Got("%q", s).Suggest(s, names).Hint("%s", help)
		},
		write: func(v any) string { return names[v.(T)] },
		types: []string{"string"},
		words: names,
	}
}

// oneOf returns "a, b or c".
func oneOf(names []string) string {
	if len(names) == 1 {
		return names[0]
	}
	return strings.Join(names[:len(names)-1], ", ") + " or " + names[len(names)-1]
}

// String returns the level's word.
func (l Level) String() string { return scalars[reflect.TypeFor[Level]()].write(l) }

// MarshalText returns the level's word.
func (l Level) MarshalText() ([]byte, error) { return []byte(l.String()), nil }

// figure splits "10 ms" into its number and its unit.
func figure(s string) (v float64, unit string, err error) {
	s = strings.TrimSpace(s)
	i := strings.IndexFunc(s, func(r rune) bool { return !strings.ContainsRune("+-.0123456789", r) })
	if i < 0 {
		i = len(s)
	}
	// 1e3: an exponent belongs to the number, not to the unit.
	if i > 0 && i+1 < len(s) && (s[i] == 'e' || s[i] == 'E') {
		j := i + 1
		if s[j] == '+' || s[j] == '-' {
			j++
		}
		k := j
		for k < len(s) && '0' <= s[k] && s[k] <= '9' {
			k++
		}
		if k > j {
			i = k
		}
	}
	v, err = readFloat(s[:i])
	return v, strings.TrimSpace(s[i:]), err
}

// readFloat reads a decimal number; no infinities, no hexadecimal.
func readFloat(s string) (float64, error) {
	for _, r := range s {
		if !strings.ContainsRune("+-.0123456789eE", r) {
			return 0, diag.Expect("a number").Got("%q", s)
		}
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, diag.Expect("a number").Got("%q", s)
	}
	return v, nil
}

// writeFloat returns the shortest decimal that reads back as v.
func writeFloat(v float64) string {
	if a := math.Abs(v); a != 0 && (a < 1e-6 || a >= 1e15) {
		return strconv.FormatFloat(v, 'e', -1, 64)
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// readInt reads a whole number: decimal, 0x or 0b. Numbers up to 2^64-1 come
// back as their 64-bit pattern.
func readInt(s string) (int64, error) {
	digits, base := s, 10
	negative := strings.HasPrefix(digits, "-")
	digits = strings.TrimPrefix(strings.TrimPrefix(digits, "-"), "+")
	switch {
	case strings.HasPrefix(digits, "0x"), strings.HasPrefix(digits, "0X"):
		digits, base = digits[2:], 16
	case strings.HasPrefix(digits, "0b"):
		digits, base = digits[2:], 2
	}
	digits = strings.ReplaceAll(digits, "_", "")
	u, err := strconv.ParseUint(digits, base, 64)
	if err != nil || negative && u > 1<<63 || strings.ContainsAny(digits, "+-") {
		return 0, diag.Expect("a whole number such as 5 or 0x1F").Got("%q", s)
	}
	if negative {
		return -int64(u), nil
	}
	return int64(u), nil
}

const maxDuration = 31 * 24 * time.Hour

func readDuration(s string) (time.Duration, error) {
	v, u, err := figure(s)
	step, ok := map[string]time.Duration{"µs": time.Microsecond, "μs": time.Microsecond, "us": time.Microsecond,
		"ms": time.Millisecond, "s": time.Second, "min": time.Minute, "h": time.Hour}[u]
	switch {
	case err != nil:
		return 0, diag.Expect("a time such as 10 ms").Got("%q", s)
	case u == "":
		return 0, diag.Expect("a time with its unit such as 10 ms").Got("%q", s)
	case !ok:
		return 0, diag.Expect("a time in µs, ms, s, min or h").Got("%q", s).Suggest(u, []string{"µs", "ms", "s", "min", "h"})
	case v < 0 || v*float64(step) > float64(maxDuration):
		return 0, diag.Expect("a time from 0 to %s", writeDuration(maxDuration)).Got("%q", s)
	}
	return time.Duration(math.Round(v * float64(step))), nil
}

// FormatDuration returns a time as the format writes it, such as "10 ms".
func FormatDuration(d time.Duration) string { return writeDuration(d) }

func writeDuration(d time.Duration) string {
	for _, u := range []struct {
		name string
		step time.Duration
	}{{"h", time.Hour}, {"min", time.Minute}, {"s", time.Second}, {"ms", time.Millisecond}} {
		if d != 0 && d%u.step == 0 {
			return fmt.Sprintf("%d %s", d/u.step, u.name)
		}
	}
	return writeFloat(float64(d)/1e3) + " µs"
}

func readBitRate(s string) (BitRate, error) {
	v, u, err := figure(s)
	factor, ok := map[string]float64{"": 1, "bit/s": 1, "k": 1e3, "kbit/s": 1e3, "M": 1e6, "Mbit/s": 1e6}[u]
	if err != nil || !ok {
		return 0, diag.Expect("a bit rate such as 500 kbit/s").Got("%q", s)
	}
	if v *= factor; v < 5e3 || v > 20e6 || v != math.Trunc(v) {
		return 0, diag.Expect("a bit rate from 5 kbit/s to 20 Mbit/s").Got("%q", s)
	}
	return BitRate(v), nil
}

func writeBitRate(r BitRate) string {
	switch {
	case r%1e6 == 0:
		return fmt.Sprintf("%d Mbit/s", r/1e6)
	case r%1e3 == 0:
		return fmt.Sprintf("%d kbit/s", r/1e3)
	}
	return strconv.Itoa(int(r))
}

// String returns the rate as people write it, such as "500 kbit/s".
func (r BitRate) String() string { return writeBitRate(r) }

func readBitPos(s string) (bits.Pos, error) {
	a, b, ok := strings.Cut(s, ".")
	x, err := strconv.Atoi(a)
	y, err2 := strconv.Atoi(b)
	if !ok || err != nil || err2 != nil || len(a) > 4 || len(b) != 1 {
		return bits.Pos{}, diag.Expect("byte.bit such as 5.1, both counted from 1").Got("%q", s)
	}
	if x < 1 || y < 1 || y > 8 {
		return bits.Pos{}, diag.Expect("byte.bit, bytes counted from 1 and bits from 1 to 8").Got("%q", s)
	}
	return bits.Pos{Byte: x, Bit: y}, nil
}

func readRawRange(s string) (RawRange, error) {
	a, b, isRange := strings.Cut(s, "..")
	if !isRange {
		b = a
	}
	low, err := readInt(strings.TrimSpace(a))
	if err != nil {
		return RawRange{}, diag.Expect("a raw value such as 5, 0x1F or 2..7").Got("%q", s)
	}
	high, err := readInt(strings.TrimSpace(b))
	if err != nil {
		return RawRange{}, diag.Expect("a raw value such as 5, 0x1F or 2..7").Got("%q", s)
	}
	if low > high {
		return RawRange{}, diag.Expect("the lower raw value first").Got("%q", s)
	}
	return RawRange{low, high}, nil
}

func writeRawRange(r RawRange) string {
	if r.Low == r.High {
		return strconv.FormatInt(r.Low, 10)
	}
	return fmt.Sprintf("%d..%d", r.Low, r.High)
}
