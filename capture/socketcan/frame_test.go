package socketcan

import (
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"gearwitness/capture"
)

type vector struct {
	ID, Kind, Source        string
	In, Input, Want, Expect json.RawMessage
}

func vectors(t testing.TB) []vector {
	t.Helper()
	b, err := os.ReadFile("testdata/vectors.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct{ Vectors []vector }
	if err := json.Unmarshal(b, &file); err != nil {
		t.Fatal(err)
	}
	return file.Vectors
}

func get[T any](t testing.TB, raw json.RawMessage) (v T) {
	t.Helper()
	if err := json.Unmarshal(raw, &v); err != nil {
		t.Fatalf("vector %s: %v", raw, err)
	}
	return v
}

// native turns the bytes of a little-endian machine into those of this one.
func native(t testing.TB, text string) []byte {
	t.Helper()
	p, err := hex.DecodeString(text)
	if err != nil || len(p) < 4 {
		t.Fatalf("vector %q: %v", text, err)
	}
	binary.NativeEndian.PutUint32(p, binary.LittleEndian.Uint32(p))
	return p
}

// word makes a frame without data of a can_id.
func word(id uint32, data ...byte) []byte {
	p := make([]byte, sizeClassic)
	binary.NativeEndian.PutUint32(p, id)
	p[4] = byte(len(data))
	copy(p[8:], data)
	return p
}

// same compares what both know of a frame.
func same(t *testing.T, f capture.Frame, want map[string]any) {
	t.Helper()
	got := map[string]any{
		"id": float64(f.ID), "extended": f.Flags&capture.Extended != 0, "rtr": f.Flags&capture.Remote != 0,
		"error": f.Flags&capture.Error != 0, "fd": f.Flags&capture.FD != 0, "brs": f.Flags&capture.BitRateSwitch != 0,
		"esi": f.Flags&capture.ErrorState != 0, "len": float64(f.Len), "length": float64(f.Len), "data": hex.EncodeToString(f.Payload()),
	}
	for key, w := range want {
		if s, ok := w.(string); ok {
			w = strings.ToLower(s)
		}
		g, ok := got[key]
		if !ok {
			t.Errorf("nothing here is called %s", key)
		}
		if g != w {
			t.Errorf("%s: got %v, want %v", key, g, w)
		}
	}
}

func TestVectors(t *testing.T) {
	kinds := map[string]bool{}
	for i, v := range vectors(t) {
		kinds[v.Kind] = true
		t.Run(fmt.Sprintf("%s/%d%s", v.Kind, i, v.ID), func(t *testing.T) {
			switch v.Kind {
			case "socketcan_frame":
				want := get[map[string]any](t, v.Expect)
				f, err := ParseFrame(native(t, get[string](t, v.Input)))
				if want["error_reading"] != nil {
					if err == nil || !strings.Contains(err.Error(), "length of 10; expected at most 8") {
						t.Errorf("got %+v, %v; want its length refused", f, err)
					}
					return
				}
				if err != nil {
					t.Fatal(err)
				}
				same(t, f, want)
			case "socketcan.frame":
				f, err := ParseFrame(native(t, get[map[string]string](t, v.In)["little_endian_host_bytes"]))
				if err != nil {
					t.Fatal(err)
				}
				same(t, f, get[map[string]any](t, v.Want))
			case "socketcan.id":
				id, err := strconv.ParseUint(get[string](t, v.In), 16, 32)
				if err != nil {
					t.Fatal(err)
				}
				f, err := ParseFrame(word(uint32(id)))
				if err != nil {
					t.Fatal(err)
				}
				same(t, f, get[map[string]any](t, v.Want))
			case "socketcan_error":
				in := get[struct {
					ID   uint32
					Data string
				}](t, v.Input)
				if got, want := parseError(t, in.ID, in.Data).Words(), get[[]string](t, v.Expect); !slices.Equal(got, want) {
					t.Errorf("got %q, want %q", got, want)
				}
			case "socketcan.error":
				in := get[struct {
					ID   string `json:"can_id"`
					Data string
				}](t, v.In)
				id, err := strconv.ParseUint(in.ID, 16, 32)
				if err != nil {
					t.Fatal(err)
				}
				e := parseError(t, uint32(id), in.Data)
				got := map[string]any{"classes": e.Classes}
				if e.Counters {
					got["classes"] = append(e.Classes, "counters")
					got["tx_errors"], got["rx_errors"] = e.Tx, e.Rx
				}
				if e.Controller != nil {
					got["controller"] = e.Controller
				}
				if e.Protocol != nil {
					got["protocol"], got["location"] = e.Protocol, e.Place
				}
				if e.Arbitration != 0 {
					got["arbitration_bit"] = e.Arbitration
				}
				a, _ := json.Marshal(got)
				b, _ := json.Marshal(get[map[string]any](t, v.Want))
				// That set writes words with hyphens, but not the names of its fields.
				a = []byte(strings.NewReplacer(`_errors":`, `_errors":`, `arbitration_bit":`, `arbitration_bit":`, "_", "-").Replace(string(a)))
				if string(a) != string(b) {
					t.Errorf("got %s, want %s", a, b)
				}
			case "dropcount":
				in := get[struct{ Cmsg []*uint32 }](t, v.Input)
				var d drops
				var got []uint32
				for _, c := range in.Cmsg {
					if c == nil {
						got = append(got, d.fresh(0, false))
					} else {
						got = append(got, d.fresh(*c, true))
					}
				}
				if want := get[[]uint32](t, v.Expect); !slices.Equal(got, want) {
					t.Errorf("got %v, want %v", got, want)
				}
			default:
				t.Errorf("no test for vectors of kind %s", v.Kind)
			}
		})
	}
	if len(kinds) != 6 {
		t.Errorf("vectors of %d kinds, want 6: %v", len(kinds), kinds)
	}
}

func parseError(t *testing.T, id uint32, data string) capture.BusError {
	t.Helper()
	d, err := hex.DecodeString(data)
	if err != nil {
		t.Fatal(err)
	}
	f, err := ParseFrame(word(id, d...))
	if err != nil {
		t.Fatal(err)
	}
	e, ok := f.BusError()
	if !ok {
		t.Fatalf("%08X is no error message", id)
	}
	return e
}

func TestDropsWrap(t *testing.T) {
	d := drops{total: 0xFFFFFFFE}
	if n := d.fresh(3, true); n != 5 {
		t.Errorf("from FFFFFFFE to 3: got %d, want 5 (modulo 2^32)", n)
	}
}

func TestParseFrameSizes(t *testing.T) {
	for _, n := range []int{0, 4, 15, 17, 71, 73, 2060} {
		if _, err := ParseFrame(make([]byte, n)); err == nil {
			t.Errorf("%d bytes: got no error", n)
		}
	}
	p := make([]byte, sizeFD)
	p[4] = 65
	if _, err := ParseFrame(p); err == nil {
		t.Error("65 bytes on CAN FD: got no error")
	}
}

func FuzzParseFrame(f *testing.F) {
	for _, v := range vectors(f) {
		var s string
		if json.Unmarshal(v.Input, &s) == nil {
			f.Add(native(f, s))
		}
	}
	f.Fuzz(func(t *testing.T, p []byte) {
		frame, err := ParseFrame(p)
		if err != nil {
			return
		}
		if frame.Len > capture.MaxData || frame.ID > maskExtended || frame.Flags&(capture.Extended|capture.Error) == 0 && frame.ID > maskStandard {
			t.Fatalf("%x gives %+v", p, frame)
		}
		for i, b := range frame.Data {
			if i >= int(frame.Len) && b != 0 {
				t.Fatalf("%x gives data beyond its length", p)
			}
		}
		frame.BusError()
	})
}

// attr writes one rtnetlink attribute (struct rtattr of include/uapi/linux/rtnetlink.h).
func attr(kind uint16, value ...byte) []byte {
	p := make([]byte, 4, 4+len(value)+3)
	binary.NativeEndian.PutUint16(p, uint16(4+len(value)))
	binary.NativeEndian.PutUint16(p[2:], kind)
	p = append(p, value...)
	for len(p)%4 != 0 {
		p = append(p, 0)
	}
	return p
}

func u32(values ...uint32) (p []byte) {
	for _, v := range values {
		p = binary.NativeEndian.AppendUint32(p, v)
	}
	return p
}

// linkMessage is what the kernel answers for a listening interface at 500 kbit/s,
// laid out by hand after include/uapi/linux/if_link.h and can/netlink.h.
func linkMessage() []byte {
	p := binary.NativeEndian.AppendUint16([]byte{0, 0}, 280)
	p = append(p, u32(7, 0x1|0x40, 0)...) // index, flags up and running, change
	p = append(p, attr(3, append([]byte("can0"), 0)...)...)
	stats := make([]byte, 24*8)
	binary.NativeEndian.PutUint64(stats[6*8:], 21)
	binary.NativeEndian.PutUint64(stats[11*8:], 34)
	p = append(p, attr(23, stats...)...)
	timing := attr(1, u32(500_000, 875, 125, 6, 7, 2, 1, 1)...)
	mode := attr(5, u32(0x22, 0x22)...)
	data := attr(9, u32(2_000_000, 750, 25, 7, 7, 5, 1, 1)...)
	info := append(attr(1, []byte("can")...), attr(2|0x8000, slices.Concat(timing, mode, data)...)...)
	return append(p, attr(18, info...)...)
}

func TestParseLink(t *testing.T) {
	l, err := parseLink(linkMessage())
	want := Link{Index: 7, Name: "can0", Kind: "can", CAN: true, Up: true, BitRate: 500_000, DataBitRate: 2_000_000, ListenOnly: true, Dropped: 21, Overrun: 34}
	if err != nil || l != want {
		t.Errorf("got %+v, %v; want %+v", l, err, want)
	}
	for n := range len(linkMessage()) {
		if l, err := parseLink(linkMessage()[:n]); err == nil && l == want {
			t.Errorf("cut to %d bytes it still says everything", n)
		}
	}
}

func FuzzParseLink(f *testing.F) {
	f.Add(linkMessage())
	f.Fuzz(func(t *testing.T, p []byte) {
		l, err := parseLink(p)
		if err == nil && len(l.Name)+len(l.Kind) > len(p) {
			t.Fatalf("%x gives %+v", p, l)
		}
	})
}
