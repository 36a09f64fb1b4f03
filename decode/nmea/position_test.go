package nmea

import (
	"strings"
	"testing"
)

// TestWithoutPosition blanks positions and nothing else. The sentences are those
// of public guides, from memory; checksums as the XOR of the characters.
func TestWithoutPosition(t *testing.T) {
	for _, c := range []struct{ name, line, want string }{
		{"rmc", seal("GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W"), seal("GPRMC,123519,A,,,,,022.4,084.4,230394,003.1,W")},
		{"gga", seal("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"), seal("GPGGA,123519,,,,,1,08,0.9,545.4,M,46.9,M,,")},
		{"gll", seal("GPGLL,4916.45,N,12311.12,W,225444,A"), seal("GPGLL,,,,,225444,A")},
		{"gns", seal("GNGNS,123519,4807.038,N,01131.000,E,AN,08,0.9,545.4,46.9,,"), seal("GNGNS,123519,,,,,AN,08,0.9,545.4,46.9,,")},
		{"proprietary", seal("PXYZ,00,081350.00,4717.113210,N,00833.915187,E,546.589"), seal("PXYZ,00,081350.00,,,,,546.589")},
		{"latitude without its zeros", seal("GPRMC,123519,A,807.038,S,131.000,W,022.4,084.4,230394,,"), seal("GPRMC,123519,A,,,,,022.4,084.4,230394,,")},
		{"speed in knots", seal("GPVTG,084.4,T,077.8,M,022.4,N,041.5,K"), ""},
		{"no fix", seal("GPRMC,235959.90,V,,,,,,,311226,,,N"), ""},
		{"wrong checksum", "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*00", "$GPRMC"},
		{"cut", "$GPGGA,123519,4807.0", "$GPGGA"},
		{"proprietary, cut", "$PXYZ,00,081350.00,4717.1132", "$PXYZ"},
		{"comma lost", "$GPGGA,1235194807.038N01131.000,E,1*47", "$GPGGA"},
		{"name lost", "07.038,N,01131.000,E,1*47", ""},
		{"encapsulated", strings.Replace(seal("AIVDM,1,1,,A,15MgK45P3@G?fl0E`JbR0OwT0@MS,0"), "$", "!", 1), "!AIVDM"},
		{"a thermometer", "T:21.5, 22.0", ""},
		{"a gauge that begins with $", "$T,1234,5", ""},
		{"columns with the senses", "x,4807.038,N,01131.000,E", "x,,,,"},
	} {
		t.Run(c.name, func(t *testing.T) {
			want, held := c.want, c.want != ""
			switch {
			case c.name == "name lost":
				held = true
			case !held:
				want = c.line
			}
			got, some := WithoutPosition(c.line)
			if got != want || some != held {
				t.Errorf("%s\ngot  %q, held %t\nwant %q, held %t", c.line, got, some, want, held)
			}
		})
	}
}

func FuzzWithoutPosition(f *testing.F) {
	f.Add("$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n")
	f.Add("$GPGGA,1235194807.038,N")
	f.Add("!,,*2C")
	f.Fuzz(func(t *testing.T, line string) {
		kept, held := WithoutPosition(line)
		if !held && kept != line {
			t.Fatalf("%q became %q, and none is said to have been held", line, kept)
		}
		if again, some := WithoutPosition(kept); some || again != kept {
			t.Fatalf("%q became %q and then %q", line, kept, again)
		}
		var s Sentence
		if s.Parse(kept) != NoFault {
			return
		}
		for i := range MaxFields {
			if l := s.layout(); i > 0 && (i == l.lat || i == l.lon) && s.Field(i) != "" && s.Field(i+1) != "" {
				t.Fatalf("%q keeps a position: %q", line, kept)
			}
		}
	})
}
