package diagnosis

import (
	"encoding/hex"
	"testing"
)

// TestVIN reads the numbers of 49 CFR 565.15's worked kind from answers built by
// hand after SAE J1979 and ISO 14229-1 (from memory).
func TestVIN(t *testing.T) {
	const number = "1M8GDM9AXKP042788"
	digits := hex.EncodeToString([]byte(number))
	for _, c := range []struct{ name, payload, want string }{
		{"service 09", "490201" + digits, number},
		{"service 22", "62f190" + digits, number},
		{"lower case", "62f190" + hex.EncodeToString([]byte("1m8gdm9axkp042788")), number},
		{"filled", "490201000000" + digits, number},
		{"filled behind", "62f190" + digits + "0000", number},
		{"cut", "490201" + digits[:32], ""},
		{"without the number of items", "4902" + digits, ""},
		{"too long", "62f190" + digits + "31", ""},
		{"not written yet", "62f190" + "ffffffffffffffffffffffffffffffffff", ""},
		{"another item", "490401" + digits, ""},
		{"a refusal", "7f0912", ""},
		{"nothing", "", ""},
	} {
		payload, err := hex.DecodeString(c.payload)
		if err != nil {
			t.Fatal(err)
		}
		if got, ok := VIN(payload); got != c.want || ok != (c.want != "") {
			t.Errorf("%s: got %q, %t; want %q", c.name, got, ok, c.want)
		}
	}
}

func FuzzVIN(f *testing.F) {
	f.Add([]byte("\x49\x02\x011M8GDM9AXKP042788"))
	f.Add([]byte("\x62\xF1\x90"))
	f.Fuzz(func(t *testing.T, payload []byte) {
		if vin, ok := VIN(payload); ok != (len(vin) == vinLength) {
			t.Fatalf("%x: %q, %t", payload, vin, ok)
		}
	})
}
