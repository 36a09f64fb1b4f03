package capture

import (
	"reflect"
	"strings"
	"testing"
	"time"
)

func TestParseURL(t *testing.T) {
	for _, test := range []struct {
		text string
		want URL
	}{
		{"slcan:/dev/ttyUSB0?bitrate=500k", URL{Scheme: "slcan", Path: "/dev/ttyUSB0", Query: q("bitrate", "500k")}},
		{"slcan:COM5", URL{Scheme: "slcan", Path: "COM5", Query: q()}},
		{`slcan:\\.\COM12?bitrate=250k&as=powertrain`, URL{Scheme: "slcan", Path: `\\.\COM12`, Name: "powertrain", Query: q("bitrate", "250k", "as", "powertrain")}},
		{"socketcan:can0?bus=body", URL{Scheme: "socketcan", Path: "can0", Name: "body", Query: q("bus", "body")}},
		{"lines:/dev/ttyACM0?baud=115200&as=gps", URL{Scheme: "lines", Path: "/dev/ttyACM0", Name: "gps", Query: q("baud", "115200", "as", "gps")}},
		{"capture:drives/hill road.pcapng?speed=4", URL{Scheme: "capture", Path: "drives/hill road.pcapng", Query: q("speed", "4")}},
		{`capture:C:\drives\hill.pcapng?speed=0.5`, URL{Scheme: "capture", Path: `C:\drives\hill.pcapng`, Query: q("speed", "0.5")}},
		{"capture:why%3F.pcapng", URL{Scheme: "capture", Path: "why?.pcapng", Query: q()}},
		{"capture:100%.pcapng", URL{Scheme: "capture", Path: "100%.pcapng", Query: q()}},
		{"van:", URL{Scheme: "van", Query: q()}},
		{"VAN:?seed=7&for=20m&fault=slip@60s=0.3&fault=open", URL{Scheme: "van", Query: q("seed", "7", "for", "20m", "fault", "slip@60s=0.3", "fault", "open")}},
		{"lines:COM6?as=a+b%26c", URL{Scheme: "lines", Path: "COM6", Name: "a+b&c", Query: q("as", "a+b&c")}},
	} {
		got, err := ParseURL(test.text)
		if err != nil || !reflect.DeepEqual(got, test.want) {
			t.Errorf("%s: got %+v, %v; want %+v", test.text, got, err, test.want)
		}
		if again, err := ParseURL(got.String()); err != nil || !reflect.DeepEqual(again, got) {
			t.Errorf("%s: written as %s and read back as %+v, %v", test.text, got, again, err)
		}
	}
}

func q(pairs ...string) map[string][]string {
	m := map[string][]string{}
	for i := 0; i < len(pairs); i += 2 {
		m[pairs[i]] = append(m[pairs[i]], pairs[i+1])
	}
	return m
}

func TestParseURLErrors(t *testing.T) {
	for text, want := range map[string]string{
		"":                                "before a colon",
		"drive.pcapng":                    "for a capture file write capture:drive.pcapng",
		`C:\drive.pcapng`:                 `for a capture file write capture:C:\\drive.pcapng`,
		"/dev/ttyUSB0":                    "write slcan:/dev/ttyUSB0?bitrate=500k",
		"COM5":                            "write slcan:COM5?bitrate=500k",
		"van":                             "a colon must follow the kind of source, as in van:",
		"slcam:COM5":                      `unknown kind of source "slcam"; expected one of capture, lines, slcan, socketcan, van; did you mean "slcan"?`,
		"slcan:":                          "as in slcan:/dev/ttyUSB0",
		"capture:?speed=4":                "as in capture:drive.pcapng",
		"slcan:COM5?bitrat=500k":          `unknown parameter "bitrat"; slcan: knows as, bus, bitrate, baud, stamps, status; did you mean "bitrate"?`,
		"slcan:COM5?speed=4":              `unknown parameter "speed"`,
		"slcan:COM5?bitrate=":             "parameter bitrate has no value",
		"slcan:COM5?bitrate":              "parameter bitrate has no value",
		"slcan:COM5?baud=1&baud=2":        "parameter baud stands twice",
		"slcan:COM5?as=a&bus=b":           "as and bus mean the same",
		"slcan:COM5?as=100%":              "write %25 for the sign itself",
		"slcan:COM\x005":                  "NUL",
		"van:?fault=a&fault=b&seed=1&x=2": `unknown parameter "x"`,
	} {
		u, err := ParseURL(text)
		if err == nil || !strings.Contains(err.Error(), strings.ReplaceAll(want, `\\`, `\`)) && !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %+v, %v; want an error with %q", text, u, err, want)
		}
	}
}

func TestIsURL(t *testing.T) {
	for text, want := range map[string]bool{
		"van:": true, "slcan:COM5": true, "Capture:x": true, `C:\x.pcapng`: false, "x.pcapng": false, "http://x": false, "van": false,
	} {
		if got := IsURL(text); got != want {
			t.Errorf("IsURL(%q) = %v, want %v", text, got, want)
		}
	}
}

func TestURLValues(t *testing.T) {
	u := URL{Scheme: "van", Query: q("n", "7", "speed", "4.5", "for", "1h30m", "bitrate", "500k", "stamps", "adaptor", "zero", "0")}
	if v, err := u.Int("n", 1, 0); v != 7 || err != nil {
		t.Errorf("Int: %v, %v", v, err)
	}
	if v, err := u.Int("absent", 3, 0); v != 3 || err != nil {
		t.Errorf("Int, absent: %v, %v", v, err)
	}
	if v, err := u.Positive("speed", 1); v != 4.5 || err != nil {
		t.Errorf("Positive: %v, %v", v, err)
	}
	if v, err := u.Duration("for", 0); v != 90*time.Minute || err != nil {
		t.Errorf("Duration: %v, %v", v, err)
	}
	if v, err := u.BitRate("bitrate", 0); v != 500_000 || err != nil {
		t.Errorf("BitRate: %v, %v", v, err)
	}
	_, choice := u.Choice("stamps", "host", "adapter")
	_, zero := u.Positive("zero", 1)
	_, least := u.Int("zero", 1, 1)
	_, rate := u.BitRate("stamps", 1)
	for want, err := range map[string]error{
		`parameter stamps: expected host or adapter, found "adaptor"; did you mean "adapter"?`: choice,
		`parameter zero: expected a number above 0, found "0"`:                                 zero,
		`parameter zero: expected a whole number of at least 1, found "0"`:                     least,
		`parameter stamps: expected a bit rate such as 500k or 1M, found "adaptor"`:            rate,
	} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %s", err, want)
		}
	}
}

func TestParseBitRate(t *testing.T) {
	for text, want := range map[string]int{
		"500k": 500_000, "500 kbit/s": 500_000, "1M": 1_000_000, "1 Mbit/s": 1_000_000, "83333": 83_333,
		"83.333k": 83_333, " 250k ": 250_000, "125000 bit/s": 125_000,
		"": 0, "fast": 0, "-5k": 0, "0": 0, "NaN": 0, "Inf": 0, "21M": 0, "5kM5": 0, "5kM": 0, "5kk": 0,
	} {
		got, err := ParseBitRate(text)
		if got != want || (err != nil) != (want == 0) {
			t.Errorf("ParseBitRate(%q) = %d, %v; want %d", text, got, err, want)
		}
	}
}

func FuzzParseURL(f *testing.F) {
	f.Add("slcan:/dev/ttyUSB0?bitrate=500k")
	f.Add("van:?seed=7&fault=a@1s=2&fault=b")
	f.Add(`capture:C:\a%3Fb?speed=4&as=x%25`)
	f.Fuzz(func(t *testing.T, text string) {
		u, err := ParseURL(text)
		if err != nil {
			return
		}
		again, err := ParseURL(u.String())
		if err != nil || !reflect.DeepEqual(u, again) {
			t.Fatalf("%q is %+v, written as %q and read back as %+v, %v", text, u, u.String(), again, err)
		}
	})
}
