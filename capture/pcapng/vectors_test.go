package pcapng

import (
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"os"
	"testing"

	"gearwitness/capture"
	"gearwitness/capture/testneed"
)

// vectors are cases worked out from draft-ietf-opsawg-pcapng and the
// link-type registry; each carries its source. testdata/README.md says more.
var vectors struct {
	First []struct {
		Kind          string
		Input, Expect json.RawMessage
		Source        string
	}
	Second []struct {
		ID, Kind string
		In, Want json.RawMessage
		Source   string
	}
}

func TestMain(m *testing.M) {
	data, err := os.ReadFile("testdata/vectors.json")
	if err == nil {
		err = json.Unmarshal(data, &vectors)
	}
	if err != nil {
		panic(err)
	}
	os.Exit(m.Run())
}

// all reads a source to its end.
func all(src capture.Source) (total capture.Batch, err error) {
	var b capture.Batch
	for {
		b.Reset()
		err = src.Next(context.Background(), &b)
		total.Channels = b.Channels
		total.Frames = append(total.Frames, b.Frames...)
		total.Lines = append(total.Lines, b.Lines...)
		total.Losses = append(total.Losses, b.Losses...)
		total.Notes = append(total.Notes, b.Notes...)
		if err == io.EOF {
			return total, nil
		}
		if err != nil {
			return total, err
		}
	}
}

func TestTruckRecording(t *testing.T) {
	r, err := Open(testneed.Truck(t))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	b, err := all(r)
	if err != nil {
		t.Fatal(err)
	}
	// The count stands in the data set's own description.
	if len(b.Frames) != 15723 || r.Stats().Malformed != 0 {
		t.Errorf("got %d frames, %d malformed; want 15723 and none", len(b.Frames), r.Stats().Malformed)
	}
}

func unmarshal(t *testing.T, data []byte, v any) {
	t.Helper()
	if err := json.Unmarshal(data, v); err != nil {
		t.Fatalf("%s: %v", data, err)
	}
}

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// frameOf wraps a packet of link type 227 the way a packet block holds it.
func frameOf(packet []byte) (capture.Frame, string) {
	p := append(make([]byte, packetHead), packet...)
	n := uint32(len(packet))
	p = append(p, make([]byte, slack)...)[:len(p)]
	var f capture.Frame
	reason := decodePacket(&f, p, n, n)
	return f, reason
}

type wantFrame struct {
	ID                       uint32
	Extended, RTR, Error, FD bool
	BRS, ESI                 bool
	Len, Length              int
	Data                     string
	ErrorReading             string `json:"error_reading"`
	Invalid                  string
	Time                     int64 `json:"time_ns"`
}

func checkFrame(t *testing.T, name string, f capture.Frame, w wantFrame) {
	t.Helper()
	var flags capture.Flags
	for _, x := range []struct {
		on   bool
		flag capture.Flags
	}{{w.Extended, capture.Extended}, {w.RTR, capture.Remote}, {w.Error, capture.Error}, {w.FD, capture.FD}, {w.BRS, capture.BitRateSwitch}, {w.ESI, capture.ErrorState}} {
		if x.on {
			flags |= x.flag
		}
	}
	if f.ID != w.ID || f.Flags&^capture.Own != flags || int(f.Len) != w.Len+w.Length || !bytes.Equal(f.Payload(), unhex(t, w.Data)) {
		t.Errorf("%s: got id %X flags %b len %d data %X; want %+v", name, f.ID, f.Flags, f.Len, f.Payload(), w)
	}
}

func TestLinkType227(t *testing.T) {
	n := 0
	check := func(name, packet string, w wantFrame) {
		n++
		f, reason := frameOf(unhex(t, packet))
		switch {
		case w.ErrorReading == "xl":
			if reason != reasonXL {
				t.Errorf("%s: got %q, want CAN XL", name, reason)
			}
		case w.ErrorReading != "" || w.Invalid != "":
			if reason == "" {
				t.Errorf("%s: got a frame %+v, want none: %s%s", name, f, w.ErrorReading, w.Invalid)
			}
		case reason != "":
			t.Errorf("%s: got %q, want a frame", name, reason)
		default:
			checkFrame(t, name, f, w)
		}
	}
	for _, v := range vectors.First {
		if v.Kind == "linktype227" {
			var packet string
			var w wantFrame
			unmarshal(t, v.Input, &packet)
			unmarshal(t, v.Expect, &w)
			check(packet, packet, w)
		}
	}
	for _, v := range vectors.Second {
		if v.Kind == "linktype227" {
			var in struct{ Packet string }
			var w wantFrame
			unmarshal(t, v.In, &in)
			unmarshal(t, v.Want, &w)
			check(v.ID, in.Packet, w)
		}
	}
	if n != 14 {
		t.Errorf("%d cases run, want 14", n)
	}
}

func TestFiles(t *testing.T) {
	n := 0
	for _, v := range vectors.First {
		if v.Kind != "pcapng_file" {
			continue
		}
		n++
		var file string
		var w struct {
			Packets []struct {
				T         int64 `json:"t_ns"`
				Packet    string
				DropCount uint64
			}
			Interfaces []struct{ Name string }
			Good       int64 `json:"good_bytes"`
		}
		unmarshal(t, v.Input, &file)
		unmarshal(t, v.Expect, &w)
		data := unhex(t, file)
		b, err := all(NewReader(bytes.NewReader(data), ""))
		if err != nil {
			t.Fatal(err)
		}
		if len(b.Frames) != len(w.Packets) || b.Channels[0].Name != w.Interfaces[0].Name {
			t.Fatalf("case %d: got %d frames on %v; want %d", n, len(b.Frames), b.Channels, len(w.Packets))
		}
		var lost, wantLost uint64
		for i, p := range w.Packets {
			f, reason := frameOf(unhex(t, p.Packet))
			f.Time = capture.Stamp(p.T)
			if reason != "" || b.Frames[i] != f {
				t.Errorf("case %d, frame %d: got %+v; want %+v %s", n, i, b.Frames[i], f, reason)
			}
			wantLost += p.DropCount
		}
		for _, l := range b.Losses {
			lost += l.Count
		}
		if lost != wantLost {
			t.Errorf("case %d: %d frames lost, want %d", n, lost, wantLost)
		}
		if walked, err := Walk(bytes.NewReader(data)); err != nil || walked.Bytes != w.Good || walked.Packets != uint64(len(w.Packets)) {
			t.Errorf("case %d: walked %+v, %v; want %d bytes", n, walked, err, w.Good)
		}
	}
	for _, v := range vectors.Second {
		if v.Kind != "pcapng.file" {
			continue
		}
		n++
		var in struct{ Hex string }
		var w struct {
			Application string
			Blocks      []string
			Packets     []wantFrame
			Flags       []*uint32
			Comments    []*string
			Dropcounts  []*uint64
			ISB         *struct{ Ifdrop uint64 }
		}
		unmarshal(t, v.In, &in)
		unmarshal(t, v.Want, &w)
		r := NewReader(bytes.NewReader(unhex(t, in.Hex)), "")
		b, err := all(r)
		if err != nil || len(b.Frames) != len(w.Packets) || r.Stats().Application != w.Application {
			t.Fatalf("%s: got %d frames of %q, %v; want %d of %q", v.ID, len(b.Frames), r.Stats().Application, err, len(w.Packets), w.Application)
		}
		notes, lost := b.Notes, b.Losses
		for i, p := range w.Packets {
			checkFrame(t, v.ID, b.Frames[i], p)
			if b.Frames[i].Time != capture.Stamp(p.Time) {
				t.Errorf("%s: frame %d at %d, want %d", v.ID, i, b.Frames[i].Time, p.Time)
			}
			if i < len(w.Comments) && w.Comments[i] != nil {
				if len(notes) == 0 || notes[0].Text != *w.Comments[i] || notes[0].Time != b.Frames[i].Time {
					t.Errorf("%s: notes %v, want %q at frame %d", v.ID, notes, *w.Comments[i], i)
				}
			}
			if i < len(w.Dropcounts) && w.Dropcounts[i] != nil {
				if len(lost) != 1 || lost[0].Count != *w.Dropcounts[i] || lost[0].Time != b.Frames[i].Time {
					t.Errorf("%s: losses %v, want %d before frame %d and no more at the end", v.ID, lost, *w.Dropcounts[i], i)
				}
			}
		}
		if walked, err := Walk(bytes.NewReader(unhex(t, in.Hex))); err != nil || walked.Blocks != uint64(len(w.Blocks)) {
			t.Errorf("%s: walked %+v, %v; want %d blocks", v.ID, walked, err, len(w.Blocks))
		}
	}
	if n != 5 {
		t.Errorf("%d cases run, want 5", n)
	}
}

func TestDamagedFiles(t *testing.T) {
	tiny := ""
	n := 0
	check := func(name string, data []byte, packets uint64, good int64, blocks uint64) {
		n++
		walked, err := Walk(bytes.NewReader(data))
		if walked.Packets != packets || walked.Bytes != good || blocks != 0 && walked.Blocks != blocks {
			t.Errorf("%s: walked %+v, %v; want %d packets, %d bytes, %d blocks", name, walked, err, packets, good, blocks)
		}
		var d *DamageError
		if whole := good == int64(len(data)); whole && err != nil || !whole && !errors.As(err, &d) {
			t.Errorf("%s: error %v for %d good bytes of %d", name, err, good, len(data))
		} else if d != nil && (d.Offset != good || d.Frames != packets) {
			t.Errorf("%s: %v; want offset %d after %d frames", name, d, good, packets)
		}
		b, err2 := all(NewReader(bytes.NewReader(data), ""))
		if uint64(len(b.Frames)) != packets || (err == nil) != (err2 == nil) {
			t.Errorf("%s: read %d frames, %v; want %d", name, len(b.Frames), err2, packets)
		}
	}
	for _, v := range vectors.First {
		if v.Kind == "pcapng_truncated" {
			var file string
			var w struct {
				Packets uint64
				Good    int64 `json:"good_bytes"`
			}
			unmarshal(t, v.Input, &file)
			unmarshal(t, v.Expect, &w)
			check(v.Source, unhex(t, file), w.Packets, w.Good, 0)
		}
	}
	for _, v := range vectors.Second {
		switch v.Kind {
		case "pcapng.file":
			var in struct{ Hex string }
			unmarshal(t, v.In, &in)
			if v.ID == "ng-tiny" {
				tiny = in.Hex
			}
		case "pcapng.recover":
			var in struct {
				Keep   int      `json:"keep_bytes"`
				Xor    [][2]int `json:"xor"`
				Zeros  int      `json:"then_zero_bytes"`
				Repeat int
			}
			var w struct {
				Valid           int64 `json:"valid_bytes"`
				Packets, Blocks uint64
			}
			unmarshal(t, v.In, &in)
			unmarshal(t, v.Want, &w)
			data := unhex(t, tiny)
			if in.Keep > 0 {
				data = data[:in.Keep]
			}
			for _, x := range in.Xor {
				data[x[0]] ^= byte(x[1])
			}
			data = append(data, make([]byte, in.Zeros)...)
			data = bytes.Repeat(data, max(1, in.Repeat))
			check(v.ID, data, w.Packets, w.Valid, w.Blocks)
		}
	}
	if n != 11 {
		t.Errorf("%d cases run, want 11", n)
	}
}

func TestTimeStamps(t *testing.T) {
	for _, v := range vectors.Second {
		if v.Kind != "pcapng.time" {
			continue
		}
		var in struct {
			Upper, Lower uint64
			Resolution   uint8 `json:"if_tsresol"`
			Offset       int64 `json:"if_tsoffset"`
		}
		var w struct {
			NS int64 `json:"unix_ns"`
		}
		unmarshal(t, v.In, &in)
		unmarshal(t, v.Want, &w)
		i := iface{exp: in.Resolution & 0x7F, binary: in.Resolution&0x80 != 0, offset: in.Offset}
		if got, ok := i.stamp(in.Upper<<32 | in.Lower); !ok || int64(got) != w.NS {
			t.Errorf("%s: got %d, %v; want %d", v.ID, got, ok, w.NS)
		}
	}
}
