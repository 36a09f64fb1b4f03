package nmea

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"gearwitness/decode/internal/vectortest"
)

// places of the quantities the cases ask for, by sentence.
var places = map[string]map[string]int{
	"lat":         {"GGA": 2, "RMC": 3},
	"lon":         {"GGA": 4, "RMC": 5},
	"fix":         {"GGA": 6},
	"quality":     {"GGA": 6},
	"satellites":  {"GGA": 7},
	"hdop":        {"GGA": 8},
	"altitude_m":  {"GGA": 9},
	"speed_knots": {"RMC": 7, "VTG": 5},
	"course":      {"RMC": 8, "VTG": 1},
	"date":        {"RMC": 9},
	"time":        {"RMC": 1, "GGA": 1},
}

func TestPublishedSentences(t *testing.T) {
	for _, v := range vectortest.Load(t, "nmea") {
		var in string
		var want map[string]any
		v.Decode(t, &in, &want)
		var s Sentence
		fault := s.Parse(in)
		if want["bad"] == "checksum" || want["error"] == "checksum" {
			if fault != Checksum {
				t.Errorf("%s: got %v", v.Name, fault)
			}
			if c, ok := want["computed"]; ok {
				body := strings.Split(in[1:], "*")[0]
				if got := fmt.Sprintf("%02X", Sum(body)); got != c {
					t.Errorf("%s: checksum %s", v.Name, got)
				}
			}
			continue
		}
		if fault != NoFault {
			t.Errorf("%s: got %v", v.Name, fault)
			continue
		}
		for key, w := range want {
			var got any
			switch key {
			case "ok":
				continue
			case "talker":
				got = s.Talker
			case "type":
				got = s.Type
			case "valid":
				got, _ = s.Fix()
			case "time", "date":
				got = s.Field(places[key][s.Type])
			case "utc":
				clock, ok := s.Clock()
				at, dated := s.UTC()
				if !ok {
					t.Errorf("%s: no time", v.Name)
				}
				layout := "2006-01-02T15:04:05.999999999Z"
				text := strings.TrimSuffix(w.(string), "Z")
				if !strings.Contains(text, "T") { // the sentence has no date
					if at = time.Unix(0, 0).UTC().Add(clock); dated {
						t.Errorf("%s: has a date", v.Name)
					}
					text = "1970-01-01T" + text
				}
				want, err := time.Parse(layout, text+"Z")
				if err != nil || !at.Equal(want) {
					t.Errorf("%s: %v, want %v, %v", v.Name, at, want, err)
				}
				continue
			case "speed_kmh", "speed_km_per_h":
				const field, factor = 7, KmPerHour
				if s.Type == "VTG" {
					if n, ok := s.Number(7); !ok || n != w {
						t.Errorf("%s: %v km/h", v.Name, n)
					}
					continue
				}
				n, ok := s.Number(field)
				if !ok || math.Abs(n*factor-w.(float64)) > 1e-6 {
					t.Errorf("%s: %v km/h", v.Name, n*factor)
				}
				continue
			default:
				n, ok := s.Number(places[key][s.Type])
				if w == nil && !ok {
					continue
				}
				if wn, isNumber := w.(float64); isNumber && ok && math.Abs(n-wn) <= 1e-6 {
					continue
				}
				got = n
			}
			if got != w {
				t.Errorf("%s: %s = %v, want %v", v.Name, key, got, w)
			}
		}
	}
}

func TestWhatIsNoSentence(t *testing.T) {
	for line, want := range map[string]Fault{
		"":            Shape,
		"$":           Shape,
		"GPRMC,1*00":  Shape,
		"$GPRMC,1":    Checksum,
		"$GPRMC,1*":   Checksum,
		"$GPRMC,1*0":  Checksum,
		"$GPRMC,1*+5": Checksum,
		seal("AB"):    Shape,
		seal("GPXYZ" + strings.Repeat(",", MaxFields+1)): Shape,
		seal("GPXYZ" + strings.Repeat(",", MaxFields)):   NoFault,
		seal("XYZ"): NoFault,
	} {
		var s Sentence
		if got := s.Parse(line); got != want {
			t.Errorf("%q: got %v, want %v", line, got, want)
		}
	}
}

func seal(body string) string { return fmt.Sprintf("$%s*%02X", body, Sum(body)) }

func TestWhatIsNotKnownIsAbsent(t *testing.T) {
	for _, c := range []struct {
		body  string
		field int
		want  any
	}{
		{"GPRMC,120000,V,4807.038,N,01131.000,E,022.4,084.4,230394,,", 7, nil}, // no fix: whatever stands there is old
		{"GPRMC,120000,A,4807.038,N,01131.000,E,022.4,084.4,230394,,", 7, 22.4},
		{"GPGGA,120000,4807.038,N,01131.000,E,0,00,,,M,,M,,", 7, 0.0}, // no satellites is a number
		{"GPGGA,120000,4807.038,N,01131.000,E,0,00,,,M,,M,,", 2, nil},
		{"GPRMC,120000,A,4860.000,N,01131.000,E,,,230394,,", 3, nil}, // 60 minutes
		{"GPRMC,120000,A,4807.038,,01131.000,E,,,230394,,", 3, nil},  // north or south?
		{"GPRMC,120000,A,48,N,99931.000,E,,,230394,,", 3, nil},       // too short
		{"GPRMC,120000,A,4807.038,N,19931.000,E,,,230394,,", 5, nil}, // beyond 180 degrees
		{"GPRMC,120000,A,4807.038,N,-1131.000,E,,,230394,,", 5, nil}, // the sense is a letter
		{"GPVTG,inf,T,0x10,M,1_0,N,NaN,K", 1, nil},
		{"GPVTG,inf,T,0x10,M,1_0,N,NaN,K", 3, nil},
		{"GPVTG,inf,T,0x10,M,1_0,N,NaN,K", 5, nil},
		{"GPVTG,inf,T,0x10,M,1_0,N,NaN,K", 7, nil},
		{"GPVTG,1", 99, nil},
		{"GPVTG,1", 0, nil},
	} {
		var s Sentence
		if fault := s.Parse(seal(c.body)); fault != NoFault {
			t.Fatalf("%s: %v", c.body, fault)
		}
		n, ok := s.Number(c.field)
		if ok != (c.want != nil) || ok && n != c.want {
			t.Errorf("%s field %d: got %v, %v, want %v", c.body, c.field, n, ok, c.want)
		}
	}
	for _, body := range []string{"GPRMC,1200,A,,,,,,,230394,,", "GPRMC,246000,A,,,,,,,230394,,", "GPRMC,120000,A,,,,,,,310294,,", "GPRMC,120000,A,,,,,,,2303,,"} {
		var s Sentence
		s.Parse(seal(body))
		if at, ok := s.UTC(); ok {
			t.Errorf("%s: %v", body, at)
		}
	}
}

func FuzzSentence(f *testing.F) {
	f.Add("$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n")
	f.Add("$GPGGA,,,,,,0,,,,M,,M,,*66")
	f.Fuzz(func(t *testing.T, line string) {
		var s Sentence
		fault := s.Parse(line)
		body, _, _ := strings.Cut(strings.TrimLeft(strings.TrimSpace(line), "$!"), "*")
		if fault != NoFault && s.Parse(seal(body)) != NoFault {
			return
		}
		for i := range MaxFields + 2 {
			if n, ok := s.Number(i); ok && (math.IsNaN(n) || math.IsInf(n, 0)) {
				t.Fatalf("field %d of %q is %v", i, line, n)
			}
		}
		s.Clock()
		s.UTC()
	})
}
