package pcapng

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/testneed"
)

// mixture is a batch with every kind of thing in it.
func mixture() *capture.Batch {
	at := func(ms int) capture.Stamp { return capture.Stamp(1_700_000_000_000_000_001 + int64(ms)*1_000_000) }
	data := func(n int) (d [capture.MaxData]byte) {
		for i := range n {
			d[i] = byte(0xF0 + i)
		}
		return
	}
	return &capture.Batch{
		Channels: []capture.Channel{
			{Name: "powertrain", Device: "/dev/ttyUSB0", BitRate: 500_000, Passive: true},
			{Name: "gps", Kind: capture.Text, Device: "/dev/ttyACM0"},
			{Name: "chassis"},
		},
		Frames: []capture.Frame{
			{Time: at(0), ID: 0x7FF, Len: 8, Data: data(8)},
			{Time: at(1), ID: 0x1FFFFFFF, Flags: capture.Extended, Len: 3, Data: data(3), Bus: 2},
			{Time: at(2), ID: 0x123, Flags: capture.Remote, Len: 8},
			{Time: at(3), ID: 0x124, Len: 0, Bus: 2},
			{Time: at(4), ID: 4, Flags: capture.Error, Len: 8, Data: [64]byte{1: 1}},
			{Time: at(5), ID: 0x18DAF110, Flags: capture.Extended | capture.FD | capture.BitRateSwitch, Len: 64, Data: data(64)},
			{Time: at(6), ID: 0x125, Flags: capture.FD | capture.ErrorState, Len: 5, Data: data(5), Bus: 2},
			{Time: at(7), ID: 0x7DF, Flags: capture.Own, Len: 8, Data: data(8)},
			{Time: at(9), ID: 0x126, Len: 7, Data: data(7)},
		},
		Lines: []capture.Line{
			{Time: at(2), Port: 1, Text: "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48"},
			{Time: at(8), Port: 1, Text: ""},
			{Time: at(9), Port: 1, Text: "bytes \xff\x00 as they came"},
		},
		Losses: []capture.Loss{
			{Time: at(6), Channel: 0, Reason: capture.ReasonOverrun, Count: 5},
			{Time: at(8), Channel: 2, Reason: capture.ReasonQueue, Count: 2},
		},
	}
}

func encode(b *capture.Batch) []byte {
	e := NewEncoder(Header{Hardware: "test bench", OS: "none", Application: "gearwitness test", Comment: "a comment"})
	out := e.AppendBatch(nil, b)
	return e.AppendEnd(out, b.Frames[len(b.Frames)-1].Time)
}

func TestRoundTrip(t *testing.T) {
	want := mixture()
	file := encode(want)
	for name, src := range map[string]io.Reader{
		"whole": bytes.NewReader(file), "byte by byte": iotest.OneByteReader(bytes.NewReader(file)),
		"error with data": iotest.DataErrReader(bytes.NewReader(file)),
		"big-endian":      bytes.NewReader(turnOrder(t, file)),
	} {
		t.Run(name, func(t *testing.T) {
			r := NewReader(src, "")
			if ch := r.Channels(); !reflect.DeepEqual(ch, want.Channels) {
				t.Errorf("channels before the first batch: %+v", ch)
			}
			got, err := all(r)
			if err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(got.Channels, want.Channels) {
				t.Errorf("channels\n%+v want\n%+v", got.Channels, want.Channels)
			}
			if !reflect.DeepEqual(got.Frames, want.Frames) {
				t.Errorf("frames\n%+v want\n%+v", got.Frames, want.Frames)
			}
			if !reflect.DeepEqual(got.Lines, want.Lines) {
				t.Errorf("lines\n%+v want\n%+v", got.Lines, want.Lines)
			}
			// 5 before the frame at 7 ms, the first of its bus since; 2 on a
			// bus that fell silent, from the statistics.
			if len(got.Losses) != 2 || got.Losses[0].Count != 5 || got.Losses[0].Time != want.Frames[7].Time || got.Losses[1].Count != 2 || got.Losses[1].Channel != 2 {
				t.Errorf("losses %+v", got.Losses)
			}
			s := r.Stats()
			if s.Application != "gearwitness test" || s.Hardware != "test bench" || s.OS != "none" || s.Frames != 9 || s.Lines != 3 || s.Lost != 7 {
				t.Errorf("stats %+v", s)
			}
			if len(got.Notes) != 1 || got.Notes[0].Text != "a comment" {
				t.Errorf("notes %+v", got.Notes)
			}
		})
	}
}

// turnOrder writes a little-endian file of ours in big-endian order.
func turnOrder(t *testing.T, file []byte) []byte {
	t.Helper()
	file = bytes.Clone(file)
	turn := func(p []byte) {
		for i, j := 0, len(p)-1; i < j; i, j = i+1, j-1 {
			p[i], p[j] = p[j], p[i]
		}
	}
	for p := file; len(p) > 0; {
		typ, n := le.Uint32(p), le.Uint32(p[4:])
		block := p[:n]
		p = p[n:]
		turn(block[0:4])
		turn(block[4:8])
		turn(block[n-4:])
		opts := block[8 : n-4]
		fixed := map[uint32][]int{typeSection: {4, 2, 2, 8}, typeInterface: {2, 2, 4}, typeStatistics: {4, 4, 4}, typePacket: {4, 4, 4, 4, 4}}[typ]
		if fixed == nil {
			t.Fatalf("block type %x", typ)
		}
		captured := uint32(0)
		if typ == typePacket {
			captured = le.Uint32(opts[12:])
		}
		for _, w := range fixed {
			turn(opts[:w])
			opts = opts[w:]
		}
		for opts = opts[(captured+3)&^3:]; len(opts) > 0; {
			code, k := le.Uint16(opts), int(le.Uint16(opts[2:]))
			turn(opts[0:2])
			turn(opts[2:4])
			v := opts[4 : 4+k]
			switch {
			case typ == typeStatistics && (code == isbStart || code == isbEnd):
				turn(v[:4])
				turn(v[4:])
			case typ == typeStatistics && code >= isbReceived, typ == typePacket && code != optComment && code != optEnd, typ == typeInterface && code == ifSpeed:
				turn(v)
			}
			opts = opts[4+(k+3)&^3:]
		}
	}
	return file
}

// The same file read by tshark (GPL, an independent reader).
func TestTsharkReadsOurs(t *testing.T) {
	tshark := testneed.Tool(t, "tshark")
	capinfos := testneed.Tool(t, "capinfos")
	want := mixture()
	path := filepath.Join(t.TempDir(), "ours.pcapng")
	if err := os.WriteFile(path, encode(want), 0o644); err != nil {
		t.Fatal(err)
	}
	run := func(name string, args ...string) string {
		var stderr bytes.Buffer
		cmd := exec.Command(name, args...)
		cmd.Stderr = &stderr
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("%s: %v: %s", name, err, stderr.String())
		}
		return string(out)
	}
	got := strings.Fields(strings.NewReplacer("\t", "|", "True", "1", "False", "0").Replace(run(tshark, "-r", path, "-Y", "can || canfd", "-T", "fields",
		"-e", "frame.time_epoch", "-e", "frame.interface_name", "-e", "can.id", "-e", "can.flags.xtd", "-e", "can.flags.rtr", "-e", "can.flags.err", "-e", "can.len", "-e", "data.data")))
	if len(got) != len(want.Frames) {
		t.Fatalf("%d frames, want %d:\n%s", len(got), len(want.Frames), strings.Join(got, "\n"))
	}
	bit := func(f capture.Frame, flag capture.Flags) int {
		if f.Flags&flag != 0 {
			return 1
		}
		return 0
	}
	for i, f := range want.Frames {
		w := fmt.Sprintf("%d.%09d|%s|", f.Time/1e9, f.Time%1e9, want.Channels[f.Bus].Name)
		switch {
		case f.Flags&capture.Error != 0: // tshark shows error classes by other names
			w += fmt.Sprintf("|||1|%d|", f.Len)
		case f.Flags&capture.FD != 0: // neither remote frames nor errors in CAN FD
			w += fmt.Sprintf("%d|%d|||%d|%x", f.ID, bit(f, capture.Extended), f.Len, f.Payload())
		default:
			w += fmt.Sprintf("%d|%d|%d|0|%d|%x", f.ID, bit(f, capture.Extended), bit(f, capture.Remote), f.Len, f.Payload())
		}
		if got[i] != w {
			t.Errorf("frame %d: tshark reads %s, want %s", i, got[i], w)
		}
	}
	// Lines stand in the same time line as private packets.
	order := strings.Fields(run(tshark, "-r", path, "-T", "fields", "-e", "frame.interface_name"))
	if fmt.Sprint(order) != "[powertrain chassis powertrain gps chassis powertrain powertrain chassis powertrain gps powertrain gps]" {
		t.Errorf("order %v", order)
	}
	info := run(capinfos, path)
	for _, w := range []string{"Capture application: gearwitness test", "Capture oper-sys:    none", "Capture hardware:    test bench", "Capture comment:     a comment",
		"Name = powertrain", "Description = /dev/ttyUSB0", "Speed = 500000", "Time precision = nanoseconds (9)", "Number of stat entries = 1", "Number of packets = 6"} {
		if !strings.Contains(info, w) {
			t.Errorf("capinfos does not say %q:\n%s", w, info)
		}
	}
}

// A file that tshark has rewritten, in order and content, reads the same.
func TestOursReadsTshark(t *testing.T) {
	tshark := testneed.Tool(t, "tshark")
	want := mixture()
	dir := t.TempDir()
	in, out := filepath.Join(dir, "in.pcapng"), filepath.Join(dir, "out.pcapng")
	if err := os.WriteFile(in, encode(want), 0o644); err != nil {
		t.Fatal(err)
	}
	if msg, err := exec.Command(tshark, "-r", in, "-F", "pcapng", "-w", out).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, msg)
	}
	r, err := Open(out)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	got, err := all(r)
	if err != nil || !reflect.DeepEqual(got.Frames, want.Frames) || !reflect.DeepEqual(got.Lines, want.Lines) {
		t.Errorf("%v\nframes %+v\nlines %+v", err, got.Frames, got.Lines)
	}
}

func TestSections(t *testing.T) {
	b := mixture()
	one := encode(b)
	two := append(bytes.Clone(one), turnOrder(t, one)...)
	got, err := all(NewReader(bytes.NewReader(two), ""))
	if err != nil || len(got.Frames) != 2*len(b.Frames) || len(got.Channels) != len(b.Channels) {
		t.Errorf("%d frames on %d channels, %v; want twice the frames on the same channels", len(got.Frames), len(got.Channels), err)
	}
}

// foreign builds files of other writers block by block.
type foreign struct{ b []byte }

func (f *foreign) block(typ uint32, body ...any) *foreign {
	at := len(f.b)
	f.b = le.AppendUint64(f.b, uint64(typ))
	for _, v := range body {
		f.b, _ = binary.Append(f.b, le, v)
	}
	f.b = pad(f.b, len(f.b))
	f.b = finish(f.b, at)
	return f
}

func (f *foreign) section() *foreign {
	return f.block(typeSection, uint32(magic), uint16(1), uint16(0), int64(-1))
}

func (f *foreign) iface(link uint16, options ...any) *foreign {
	return f.block(typeInterface, append([]any{link, uint16(0), uint32(0)}, options...)...)
}

func (f *foreign) packet(iface uint32, ticks uint64, packet []byte) *foreign {
	return f.block(typePacket, iface, uint32(ticks>>32), uint32(ticks), uint32(len(packet)), uint32(len(packet)), packet)
}

var somePacket = []byte{0, 0, 1, 0x23, 8, 0, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8}

func TestForeignFiles(t *testing.T) {
	xl := bytes.Clone(somePacket)
	xl[4] = 0x81
	short := somePacket[:10]
	f := (&foreign{}).section().
		iface(1).                                                 // Ethernet
		iface(LinkCAN).                                           // µs by default
		iface(LinkText).                                          // private use of somebody else
		iface(LinkCAN, uint16(9), uint16(1), []byte{3, 0, 0, 0}). // ms
		block(0x0BAD, uint32(32473), []byte("custom")).           // enterprise number for documentation, RFC 5612
		block(77, []byte("never heard of")).
		packet(0, 1, make([]byte, 60)).
		packet(1, 2_000_000, somePacket).
		packet(2, 2_000_000, []byte("what")).
		packet(3, 3_000, somePacket).
		packet(1, 3_500_000, xl).
		packet(1, 3_500_000, short).
		packet(9, 3_500_000, somePacket).
		block(typeSimple, uint32(16), somePacket).
		block(typeOldPacket, uint16(3), uint16(2), uint32(0), uint32(4_000), uint32(16), uint32(16), somePacket).
		packet(1, 3_900_000, somePacket). // goes back in time
		block(typePacket, uint32(1), uint32(0), uint32(0), uint32(1000), uint32(1000), somePacket)
	r := NewReader(bytes.NewReader(f.b), "")
	b, err := all(r)
	if err != nil {
		t.Fatal(err)
	}
	var times []capture.Stamp
	for _, f := range b.Frames {
		times = append(times, f.Time/1e6)
	}
	if fmt.Sprint(times) != "[2000 3000 4000 3900]" {
		t.Errorf("frames at %v ms", times)
	}
	want := Stats{Sections: 1, Frames: 4, XL: 1, Malformed: 3, Foreign: 2, Untimed: 1, Lost: 2}
	if got := r.Stats(); got != want {
		t.Errorf("stats %+v, want %+v", got, want)
	}
	if len(b.Channels) != 2 || b.Channels[0].Name != "interface 1" || b.Channels[1].Name != "interface 3" {
		t.Errorf("channels %+v", b.Channels)
	}
	var lost uint64
	for _, l := range b.Losses {
		lost += l.Count
	}
	if lost != 2+2 { // by the drop count, and two malformed packets of known interfaces
		t.Errorf("losses %+v", b.Losses)
	}
	var kinds []string
	for _, n := range b.Notes {
		kinds = append(kinds, n.Kind)
	}
	if fmt.Sprint(kinds) != "[skipped skipped skipped malformed malformed skipped clock malformed]" {
		t.Errorf("notes %+v", b.Notes)
	}
}

func TestBlocksLargerThanTheBuffer(t *testing.T) {
	f := (&foreign{}).section().iface(LinkCAN)
	f.packet(0, 1, somePacket)
	before := len(f.b)
	f.block(0x40000BAD, make([]byte, 5*readSize))
	end := len(f.b)
	f.packet(0, 2, somePacket)
	for name, src := range map[string]io.Reader{"whole": bytes.NewReader(f.b), "halves": iotest.HalfReader(bytes.NewReader(f.b))} {
		if b, err := all(NewReader(src, "")); err != nil || len(b.Frames) != 2 {
			t.Errorf("%s: %d frames, %v", name, len(b.Frames), err)
		}
	}
	for _, cut := range []int{before + 20, before + headSize + 100, end - 6, end - 1} {
		var d *DamageError
		b, err := all(NewReader(bytes.NewReader(f.b[:cut]), ""))
		if !errors.As(err, &d) || !d.Cut || d.Offset != int64(before) || len(b.Frames) != 1 {
			t.Errorf("cut at %d: %d frames, %v", cut, len(b.Frames), err)
		}
	}
	bad := bytes.Clone(f.b)
	bad[end-2]++
	var d *DamageError
	if _, err := all(NewReader(bytes.NewReader(bad), "")); !errors.As(err, &d) || d.Cut || d.Offset != int64(before) {
		t.Errorf("wrong length at the end: %v", err)
	}
}

func TestMessages(t *testing.T) {
	file := NewEncoder(Header{}).AppendBatch(nil, traffic(1204))
	bad := append(bytes.Clone(file), encode(mixture())...)
	copy(bad[len(file)+36:], make([]byte, 20))
	newer := bytes.Clone(file)
	newer[12] = 2
	for _, c := range []struct {
		name string
		data []byte
		want string
	}{
		{"cut", file[:len(file)-3], "data/x.pcapng: offset 57840: the file ends inside a block: expected 48 bytes, found 45; 1,203 frames before it are intact"},
		{"zero length", append(bytes.Clone(file), make([]byte, 64)...), "data/x.pcapng: offset 57888: block length: expected a multiple of 4, at least 12, found 0; 1,204 frames before it are intact"},
		{"trailer", func() []byte { b := bytes.Clone(file); b[len(b)-4] = 0; return b }(), "data/x.pcapng: offset 57840: block length repeated at its end: expected 48, found 0; 1,203 frames before it are intact"},
		{"newer", newer, "data/x.pcapng: offset 0: written by pcapng version 2.0, this program reads version 1; use a newer program; no frame before it"},
		{"empty", nil, "data/x.pcapng: offset 0: no pcapng file: the file is empty; no frame before it"},
		{"text", []byte("hello world, this is text"), "data/x.pcapng: offset 0: no pcapng file: expected 0a0d0d0a at its start, found 68656c6c; no frame before it"},
		{"short text", []byte("hello"), "data/x.pcapng: offset 0: no pcapng file: expected 0a0d0d0a at its start, found 68656c6c; no frame before it"},
		{"pcap", append([]byte{0xd4, 0xc3, 0xb2, 0xa1}, make([]byte, 20)...), "data/x.pcapng: offset 0: no pcapng file: expected 0a0d0d0a at its start, found d4c3b2a1; this is a file of the older pcap format: convert it to pcapng first; no frame before it"},
	} {
		_, err := all(NewReader(bytes.NewReader(c.data), "data/x.pcapng"))
		if err == nil || err.Error() != c.want {
			t.Errorf("%s:\ngot  %v\nwant %s", c.name, err, c.want)
		}
		if _, again := all(NewReader(bytes.NewReader(c.data), "data/x.pcapng")); again == nil {
			t.Errorf("%s: the error does not stay", c.name)
		}
	}
	if _, err := Open(t.TempDir()); err == nil || !strings.Contains(err.Error(), "is a folder") {
		t.Errorf("folder: %v", err)
	}
	// What failed once stays failed.
	r := NewReader(bytes.NewReader(newer), "")
	var b capture.Batch
	first := r.Next(context.Background(), &b)
	if second := r.Next(context.Background(), &b); first == nil || second == nil || first.Error() != second.Error() {
		t.Errorf("first %v, then %v", first, second)
	}
}

func TestRecover(t *testing.T) {
	dir := t.TempDir()
	whole := encode(mixture())
	path := filepath.Join(dir, "damaged.pcapng")
	write := func(data []byte) {
		t.Helper()
		if err := os.WriteFile(path, data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	write(append(bytes.Clone(whole), make([]byte, 100)...))
	fixed := filepath.Join(dir, "repaired.pcapng")
	rep, err := Recover(path, fixed)
	if err != nil || rep.Good != int64(len(whole)) || rep.Lost() != 100 || rep.Packets != 12 || rep.Damage == nil || rep.Copy != fixed {
		t.Fatalf("%+v, %v", rep, err)
	}
	if want := mixture(); rep.First != want.Frames[0].Time || rep.Last != want.Frames[8].Time {
		t.Errorf("from %v to %v", rep.First, rep.Last)
	}
	if got, err := os.ReadFile(fixed); err != nil || !bytes.Equal(got, whole) {
		t.Errorf("the copy has %d bytes, %v; want the %d good ones", len(got), err, len(whole))
	}
	if got, err := os.ReadFile(path); err != nil || len(got) != len(whole)+100 {
		t.Errorf("the original was touched: %d bytes, %v", len(got), err)
	}
	if _, err := Recover(path, fixed); err == nil || !strings.Contains(err.Error(), "exists already") {
		t.Errorf("an existing copy: %v", err)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, ".repair-*")); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
	write(whole)
	if rep, err := Recover(path, ""); err != nil || rep.Damage != nil || rep.Lost() != 0 || rep.Copy != "" {
		t.Errorf("whole file: %+v, %v", rep, err)
	}
	write([]byte("no capture file at all"))
	if _, err := Recover(path, filepath.Join(dir, "none.pcapng")); err == nil {
		t.Error("recovered text")
	}
	// Cut anywhere, the good part is what whole blocks there are.
	for cut := 0; cut < len(whole); cut += 1 + cut/200 {
		walked, _ := Walk(bytes.NewReader(whole[:cut]))
		b, err := all(NewReader(bytes.NewReader(whole[:cut]), ""))
		var d *DamageError
		if int64(cut) == walked.Bytes && cut > 0 {
			if err != nil {
				t.Errorf("cut at %d, between blocks: %v", cut, err)
			}
		} else if !errors.As(err, &d) || !d.Cut || d.Offset != walked.Bytes {
			t.Errorf("cut at %d: %v, good %d", cut, err, walked.Bytes)
		}
		if n := uint64(len(b.Frames) + len(b.Lines)); n != walked.Packets {
			t.Errorf("cut at %d: %d read, %d walked", cut, n, walked.Packets)
		}
	}
}

func TestWriter(t *testing.T) {
	var out bytes.Buffer
	w := NewWriter(&out, Header{Application: "x"})
	b := traffic(20_000)
	if err := w.WriteBatch(b); err != nil {
		t.Fatal(err)
	}
	w.Comment("mark: flare")
	if err := w.WriteBatch(traffic(1)); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(1); err != nil {
		t.Fatal(err)
	}
	got, err := all(NewReader(&out, ""))
	if err != nil || len(got.Frames) != 20_001 {
		t.Errorf("%d frames, %v", len(got.Frames), err)
	}
	var comment *capture.Note
	for i := range got.Notes {
		if got.Notes[i].Kind == "comment" {
			comment = &got.Notes[i]
		}
	}
	if comment == nil || comment.Text != "mark: flare" {
		t.Errorf("notes %v", got.Notes)
	}
	full := errors.New("disk full")
	w = NewWriter(failingWriter{full}, Header{})
	if err := w.WriteBatch(b); !errors.Is(err, full) {
		t.Errorf("failing writer: %v", err)
	}
	if err := w.Close(1); !errors.Is(err, full) {
		t.Errorf("failing writer, closed: %v", err)
	}
}

type failingWriter struct{ err error }

func (w failingWriter) Write([]byte) (int, error) { return 0, w.err }

func TestStampRange(t *testing.T) {
	// Resolutions by hand: 2^-31: 3<<30 ticks are 1.5 s; 10^-12: 1 ns is 1,000.
	for _, c := range []struct {
		in    iface
		ticks uint64
		want  capture.Stamp
		ok    bool
	}{
		{iface{exp: 31, binary: true}, 3 << 30, 1_500_000_000, true},
		{iface{exp: 64, binary: true}, 1 << 63, 500_000_000, true},
		{iface{exp: 12}, 1_234_999, 1234, true},
		{iface{exp: 19}, 1e19, 1_000_000_000, true},
		{iface{exp: 21}, 1e19, 10_000_000, true},
		{iface{exp: 0}, 9_223_372_035, 9_223_372_035_000_000_000, true},
		{iface{exp: 0}, 9_223_372_037, 0, false},
		{iface{exp: 6}, 1<<64 - 1, 0, false},
		{iface{exp: 6, offset: -1 << 62}, 1, 0, false},
	} {
		if got, ok := c.in.stamp(c.ticks); got != c.want || ok != c.ok {
			t.Errorf("%+v, %d ticks: %d, %v; want %d, %v", c.in, c.ticks, got, ok, c.want, c.ok)
		}
	}
}

func TestHotPathsDoNotAllocate(t *testing.T) {
	b := traffic(1000)
	e := NewEncoder(Header{})
	dst := e.AppendBatch(nil, b)
	if n := testing.AllocsPerRun(100, func() { dst = e.AppendBatch(dst[:0], b) }); n > 0 {
		t.Errorf("writing a batch: %v allocations", n)
	}
	file := NewEncoder(Header{}).AppendBatch(nil, traffic(100_000))
	r := NewReader(bytes.NewReader(file), "")
	var got capture.Batch
	r.Next(context.Background(), &got)
	if n := testing.AllocsPerRun(80, func() {
		got.Reset()
		if err := r.Next(context.Background(), &got); err != nil || len(got.Frames) == 0 {
			t.Fatal(err)
		}
	}); n > 0 {
		t.Errorf("reading a batch: %v allocations", n)
	}
}

// Memory taken by an earlier, longer frame does not shine through.
func TestReusedMemoryIsClean(t *testing.T) {
	var b capture.Batch
	long := NewEncoder(Header{}).AppendBatch(nil, &capture.Batch{Channels: []capture.Channel{{Name: "a"}},
		Frames: []capture.Frame{{ID: 1, Flags: capture.FD, Len: 64, Data: [64]byte(bytes.Repeat([]byte{0xAA}, 64))}}})
	short := NewEncoder(Header{}).AppendBatch(nil, &capture.Batch{Channels: []capture.Channel{{Name: "a"}}, Frames: []capture.Frame{{ID: 2, Len: 1, Data: [64]byte{7}}}})
	for _, file := range [][]byte{long, short} {
		b.Reset()
		if err := NewReader(bytes.NewReader(file), "").Next(context.Background(), &b); err != nil {
			t.Fatal(err)
		}
	}
	if b.Frames[0] != (capture.Frame{ID: 2, Len: 1, Data: [64]byte{7}}) {
		t.Errorf("%+v", b.Frames[0])
	}
}

func FuzzReader(f *testing.F) {
	whole := encode(mixture())
	f.Add(whole)
	f.Add(whole[:len(whole)-5])
	f.Add((&foreign{}).section().iface(LinkCAN, uint16(9), uint16(1), []byte{200, 0, 0, 0}).packet(0, 1<<63, somePacket).b)
	f.Fuzz(func(t *testing.T, data []byte) {
		walked, werr := Walk(bytes.NewReader(data))
		r := NewReader(bytes.NewReader(data), "")
		b, err := all(r)
		if walked.Bytes > int64(len(data)) || uint64(len(b.Frames)+len(b.Lines)) > walked.Packets {
			t.Fatalf("walked %+v of %d bytes, read %d frames and %d lines", walked, len(data), len(b.Frames), len(b.Lines))
		}
		if werr != nil && err == nil {
			t.Fatalf("walk says %v, reading is content", werr)
		}
		var d *DamageError
		if err != nil && (!errors.As(err, &d) || d.Offset < 0 || d.Offset > int64(len(data))) {
			t.Fatalf("%v", err)
		}
		for i := range b.Frames {
			if int(b.Frames[i].Bus) >= len(b.Channels) || b.Frames[i].Len > capture.MaxData {
				t.Fatalf("frame %+v on %d channels", b.Frames[i], len(b.Channels))
			}
		}
		// What was read can be written and reads the same.
		if len(b.Frames)+len(b.Lines) == 0 {
			return
		}
		again, err := all(NewReader(bytes.NewReader(NewEncoder(Header{}).AppendBatch(nil, &capture.Batch{Channels: b.Channels, Frames: b.Frames})), ""))
		if err != nil || len(again.Frames) != len(b.Frames) {
			t.Fatalf("written again: %d frames of %d, %v", len(again.Frames), len(b.Frames), err)
		}
		for i := range b.Frames {
			if again.Frames[i] != b.Frames[i] {
				t.Fatalf("frame %d: %+v, written again %+v", i, b.Frames[i], again.Frames[i])
			}
		}
	})
}

// Bit flips anywhere: never a panic, never more frames than there were.
func TestBitFlips(t *testing.T) {
	whole := encode(mixture())
	rng := rand.New(rand.NewPCG(1, 2))
	for range 3000 {
		data := bytes.Clone(whole)
		for range 1 + rng.IntN(3) {
			data[rng.IntN(len(data))] ^= 1 << rng.IntN(8)
		}
		b, _ := all(NewReader(bytes.NewReader(data), ""))
		if len(b.Frames)+len(b.Lines) > 12 {
			t.Fatalf("%d frames and %d lines out of 12 packets", len(b.Frames), len(b.Lines))
		}
	}
}

func TestTimeOfContext(t *testing.T) {
	ctx, cancel := context.WithDeadline(context.Background(), time.Unix(0, 0))
	defer cancel()
	var b capture.Batch
	if err := NewReader(bytes.NewReader(encode(mixture())), "").Next(ctx, &b); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("%v", err)
	}
}

// A packet of an interface that was not described, the next number or any other, is
// counted and passed over, in a run of common packets as well.
func TestPacketOfNoInterface(t *testing.T) {
	for _, id := range []uint32{1, 2, 1 << 31, 0xFFFFFFFF} {
		f := (&foreign{}).section().iface(LinkCAN, uint16(9), uint16(1), []byte{9, 0, 0, 0})
		f.packet(0, 1, somePacket).packet(id, 2, somePacket).packet(0, 3, somePacket)
		r := NewReader(bytes.NewReader(f.b), "")
		b, err := all(r)
		if err != nil || len(b.Frames) != 2 || r.Stats().Malformed != 1 {
			t.Errorf("interface %d of 1: %d frames, %+v, %v; want the two of the other, and one malformed", id, len(b.Frames), r.Stats(), err)
		}
		if len(b.Notes) != 1 || !strings.HasSuffix(b.Notes[0].Text, fmt.Sprintf("names interface %d, but only 1 are described", id)) {
			t.Errorf("notes %+v", b.Notes)
		}
	}
}

// Both byte orders and both resolutions of the older format, and gzip, are named by
// their first bytes (draft-ietf-opsawg-pcap; RFC 1952).
func TestSaysWhatAForeignFileIs(t *testing.T) {
	for head, want := range map[string]string{
		"\xd4\xc3\xb2\xa1": "older pcap format", "\xa1\xb2\xc3\xd4": "older pcap format",
		"\x4d\x3c\xb2\xa1": "older pcap format", "\xa1\xb2\x3c\x4d": "older pcap format",
		"\x1f\x8b\x08\x00": "gzip", "\xa1\xb2\x3c\x4e": "",
	} {
		_, err := all(NewReader(strings.NewReader(head+strings.Repeat("\x00", 28)), ""))
		if err == nil || !strings.Contains(err.Error(), "expected 0a0d0d0a") {
			t.Fatalf("% x: %v", head, err)
		}
		for _, words := range []string{"older pcap format", "gzip"} {
			if strings.Contains(err.Error(), words) != (words == want) {
				t.Errorf("% x: %v; want %q named and nothing else", head, err, want)
			}
		}
	}
}
