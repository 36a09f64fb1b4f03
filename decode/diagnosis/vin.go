package diagnosis

import (
	"bytes"
	"strings"
)

// vinLength is the length of a vehicle identification number (ISO 3779).
const vinLength = 17

// VIN reads the vehicle identification number from a positive answer to a read of
// it: 49 02, the number of items and 17 characters (SAE J1979 service 09), or 62 F1
// 90 and 17 characters (ISO 14229-1). Filling of 00 around them does not count.
// False for any other answer, and for one that holds no 17 letters and digits.
// Whether the check digit is right is another matter.
func VIN(payload []byte) (vin string, ok bool) {
	text, legislated := bytes.CutPrefix(payload, []byte{0x49, 0x02})
	if legislated {
		if len(text) < 1+vinLength {
			return "", false
		}
		text = text[1:]
	} else if text, ok = bytes.CutPrefix(payload, []byte{0x62, 0xF1, 0x90}); !ok {
		return "", false
	}
	text = bytes.Trim(text, "\x00")
	if len(text) != vinLength {
		return "", false
	}
	for _, c := range text {
		if (c < '0' || c > '9') && (c < 'A' || c > 'Z') && (c < 'a' || c > 'z') {
			return "", false
		}
	}
	return strings.ToUpper(string(text)), true
}
