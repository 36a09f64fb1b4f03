package van

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/slcan"
	"gearwitness/decode"
	"gearwitness/signals"
)

// bytesOf opens an adapter by hand and reads the whole drive, at most size bytes
// at a time.
func bytesOf(t testing.TB, o Options, f *signals.File, size int) []byte {
	t.Helper()
	a, err := NewAdapter(o, f, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	if _, err := io.WriteString(a, "S6\rZ1\rL\r"); err != nil {
		t.Fatal(err)
	}
	var out []byte
	buf := make([]byte, size)
	for {
		n, err := a.Read(buf)
		out = append(out, buf[:n]...)
		if err == io.EOF {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

func TestSameOptionsSameBytes(t *testing.T) {
	f := vehicle(t)
	o := RandomOptions(5, 3)
	o.For = 90 * time.Second
	var w, w2 bytes.Buffer
	o.Truth = &w
	a := sha256.Sum256(bytesOf(t, o, f, 4096))
	o.Truth = &w2
	b := sha256.Sum256(bytesOf(t, o, f, 3))
	if a != b {
		t.Error("two runs of the same options differ")
	}
	if w.Len() == 0 || !bytes.Equal(w.Bytes(), w2.Bytes()) {
		t.Error("the truth of two runs of the same options differs")
	}
	o.Truth = nil
	if c := sha256.Sum256(bytesOf(t, o, f, 4096)); a != c {
		t.Error("the truth channel changes what the van sends")
	}
	o.Seed++
	if c := sha256.Sum256(bytesOf(t, o, f, 4096)); a == c {
		t.Error("another seed gives the same bytes")
	}
}

func framesOf(t testing.TB, src capture.Source, visit func(*capture.Frame)) (n int) {
	t.Helper()
	var b capture.Batch
	for {
		b.Reset()
		err := src.Next(context.Background(), &b)
		for i := range b.Frames {
			visit(&b.Frames[i])
		}
		n += len(b.Frames)
		if len(b.Losses) > 0 {
			t.Fatalf("losses on a link within the program: %+v", b.Losses)
		}
		if err == io.EOF {
			return n
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// The van's frames through the product's own decoder: everything known, counters
// and checksums right, values near the truth and within their ranges.
func TestFramesDecodeToTheTruth(t *testing.T) {
	silent := *vehicle(t)
	silent.Requests = nil // nobody asks
	f := &silent
	o := DefaultOptions()
	o.For = 2 * time.Minute
	var w bytes.Buffer
	o.Truth = &w
	src, err := Open(context.Background(), o, f, nil)
	if err != nil {
		t.Fatal(err)
	}
	plan, err := decode.Compile(f)
	if err != nil {
		t.Fatal(err)
	}
	d := plan.NewDecoder()
	var out decode.Output
	table := plan.Table()
	engineAt, lever := table.Index("engine_speed"), table.Index("lever")
	outletAt := table.Index("oil_outlet")
	last := map[int32]decode.Sample{}
	levers := map[string]bool{}
	type pair struct{ engine, outlet float64 }
	near := map[int64]pair{} // by 10 ms
	channels := false
	framesOf(t, src, func(fr *capture.Frame) {
		if !channels {
			d.Channels(src.(*source).Channels())
			channels = true
		}
		out.Reset()
		d.Frame(fr, &out)
		for _, s := range out.Samples {
			if s.Status != decode.Valid {
				t.Fatalf("%s has status %d at %v", table.Signals[s.Signal].Name, s.Status, s.Time)
			}
			last[s.Signal] = s
			switch s.Signal {
			case engineAt:
				near[int64(s.Time)/1e7] = pair{s.Value, last[outletAt].Value}
			case lever:
				levers[table.Text(s)] = true
			}
		}
	})
	if err := src.Close(); err != nil {
		t.Fatal(err)
	}
	for i := range table.Signals {
		if in := &table.Signals[i]; in.Origin == decode.FromFrame {
			if _, ok := last[int32(i)]; !ok {
				t.Errorf("signal %s never came", in.Name)
			}
		}
	}
	if len(levers) != 4 {
		t.Errorf("lever positions seen: %v", levers)
	}
	c := d.Counters()
	for _, fc := range c.Frames {
		if fc.Good == 0 || fc.Short+fc.Checksum+fc.Repeated+fc.Missed != 0 {
			t.Errorf("frame %s: %+v", fc.Name, fc)
		}
	}
	if len(c.Unknown) != 0 {
		t.Errorf("unknown identifiers: %v", c.Unknown)
	}
	compared := 0
	for line := range strings.Lines(w.String()) {
		var x told
		if err := json.Unmarshal([]byte(line), &x); err != nil {
			t.Fatal(err)
		}
		if x.Kind != "state" {
			continue
		}
		if p, ok := near[int64(math.Round(x.Time*100))]; ok && x.Time > 1 {
			compared++
			// Within 10 ms an engine gains less than 60 rpm.
			if math.Abs(p.engine-x.Engine) > 60 || math.Abs(p.outlet-x.Outlet) > 4 {
				t.Fatalf("%.2f s: engine %.0f rpm, outlet %.1f °C; truth %.0f and %.1f", x.Time, p.engine, p.outlet, x.Engine, x.Outlet)
			}
		}
	}
	if compared < 11000 {
		t.Errorf("only %d comparisons", compared)
	}
}

// Frames come at their periods, one after the other, the lower identifier first.
func TestBusTiming(t *testing.T) {
	f := vehicle(t)
	o := DefaultOptions()
	o.For = 30 * time.Second
	src, err := Open(context.Background(), o, f, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	count := map[uint32]int{}
	var last capture.Stamp
	framesOf(t, src, func(fr *capture.Frame) {
		// ISO 11898-1: a frame with n data bytes and an 11-bit identifier has at
		// least 44 + 8 n bits, with 29 bits 64 + 8 n; 2 µs each at 500 kbit/s.
		bits := 44 + 8*int(fr.Len)
		if fr.Flags&capture.Extended != 0 {
			bits += 20
		}
		if gap := fr.Time.Sub(last); last != 0 && gap < time.Duration(bits)*2*time.Microsecond {
			t.Fatalf("frame %X at %v ends %v after the one before: too soon for %d bits", fr.ID, fr.Time, gap, bits)
		}
		last = fr.Time
		count[fr.ID]++
	})
	for id, want := range map[uint32]int{0x110: 3000, 0x1A4: 3000, 0x1B0: 1500, 0x1C2: 1500, 0x2D0: 1500, 0x18FF3E21: 300} {
		if n := count[id]; n < want-2 || n > want+1 {
			t.Errorf("frame %X came %d times in 30 s; expected %d", id, n, want)
		}
	}
	if last < capture.Stamp(29900*time.Millisecond) || last > capture.Stamp(30*time.Second) {
		t.Errorf("the last frame of 30 s came at %v", last)
	}
}

func TestArbitration(t *testing.T) {
	b := &bus{x: &sensors{s: &sim{steps: 1}}}
	a := &Adapter{}
	for _, id := range []struct {
		id  uint32
		ext bool
	}{{0x100 << 18, true}, {0x200, false}, {0x100, false}, {0x0FF<<18 | 5, true}} {
		s := &sender{period: 1e9, next: 0, length: 1000, checkAt: -1}
		s.frame.ID = id.id
		s.key = uint64(id.id) << 32
		if id.ext {
			s.frame.Flags = capture.Extended
			s.key = uint64(id.id>>18)<<32 | 1<<31 | uint64(id.id&0x3FFFF)
		}
		b.waiting = append(b.waiting, s)
	}
	b.rng = rand.New(rand.NewPCG(1, 1))
	b.step(a)
	// ISO 11898-1: base identifier bits first; of two equal ones the frame with
	// the 11-bit identifier wins by its recessive extension bit.
	want := []uint32{0x0FF<<18 | 5, 0x100, 0x100 << 18, 0x200}
	for i, q := range a.queue {
		if q.frame.ID != want[i] || q.end != int64(1000*(i+1)) {
			t.Errorf("place %d: %X at %d ns; expected %X", i, q.frame.ID, q.end, want[i])
		}
	}
	if len(a.queue) != len(want) {
		t.Errorf("%d frames left", len(a.queue))
	}
}

// Other resolutions and periods: the same van through coarser frames.
func TestCoarseVariant(t *testing.T) {
	text := string(signals.Van())
	text = strings.Replace(text, "id: 0x1A4\n    every: 10 ms", "id: 0x1A4\n    every: 50 ms", 1)
	text = strings.Replace(text, "reduced_carrier_speed: {start: 1.1, bits: 16, number: signed, resolution: 0.25, unit: rpm, missing: 0x8000}",
		"reduced_carrier_speed: {start: 1.1, bits: 16, number: signed, resolution: 10, unit: rpm, missing: 0x8000}", 1)
	text = strings.Replace(text, "output_speed: {start: 5.1, bits: 16, number: signed, resolution: 0.25,", "output_speed: {start: 5.8, bits: 16, order: big, number: signed, resolution: 10,", 1)
	f, list := signals.Parse("coarse.yaml", []byte(text), nil)
	if f == nil {
		t.Fatal(list)
	}
	o := DefaultOptions()
	o.For = time.Minute
	src, err := Open(context.Background(), o, f, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	n, fastest := 0, 0.0
	framesOf(t, src, func(fr *capture.Frame) {
		if fr.ID == 0x1A4 {
			n++
			out := float64(int16(uint16(fr.Data[4])<<8|uint16(fr.Data[5]))) * 10
			fastest = math.Max(fastest, out)
		}
	})
	if n < 1198 || n > 1201 {
		t.Errorf("%d frames in a minute at 50 ms", n)
	}
	if fastest < 500 || fastest > 4000 {
		t.Errorf("fastest output %.0f rpm", fastest)
	}
}

func TestFieldsQuantiseClampAndMark(t *testing.T) {
	f := vehicle(t)
	with := func(change func(*signals.Signal), q quantity) field {
		s := signals.Signal{Start: signals.BitPos{Byte: 1, Bit: 1}, Bits: 16, Resolution: 10, Number: signals.Signed}
		change(&s)
		fd, err := newField(f, "frame", "signal", &s, q, 8)
		if err != nil {
			t.Fatal(err)
		}
		return fd
	}
	missing := func(s *signals.Signal) { s.Missing = []signals.RawRange{{Low: -32768, High: -32768}} }
	for _, c := range []struct {
		name string
		f    field
		v    float64
		want uint64
	}{
		{"rounds", with(func(*signals.Signal) {}, qOutputSpeed), 1234.9, 123},
		{"negative", with(func(*signals.Signal) {}, qOutputSpeed), -1234.9, 0xFFFF - 122},
		{"clamps", with(func(*signals.Signal) {}, qOutputSpeed), 1e9, 0x7FFF},
		{"missing", with(missing, qOutputSpeed), math.NaN(), 0x8000},
		{"never missing by accident", with(missing, qOutputSpeed), -1e9, 0x8001},
		{"without a mark", with(func(*signals.Signal) {}, qOutputSpeed), math.NaN(), 0},
		{"no direction", with(func(s *signals.Signal) { s.Number = signals.Unsigned }, qOutputSpeed), -500, 50},
		{"offset", with(func(s *signals.Signal) { s.Number, s.Offset, s.Resolution = signals.Unsigned, -50, 0.1 }, qOilPan), -20, 300},
		{"float", with(func(s *signals.Signal) { s.Number, s.Bits, s.Resolution = signals.Float, 32, 1 }, qOilPan), 1.5, 0x3FC00000},
		{"state", with(func(s *signals.Signal) {
			s.States = signals.States{{Name: "D", V: 9}, {Name: "P", V: 4}, {Name: "R", V: 5}, {Name: "N", V: 6}}
		}, qLever), 3, 9},
	} {
		var data [8]byte
		c.f.put(data[:], c.v)
		got, _ := c.f.bits.Uint(data[:])
		if got != c.want {
			t.Errorf("%s: %g becomes %X; expected %X", c.name, c.v, got, c.want)
		}
	}
}

func TestRefusesForeignFiles(t *testing.T) {
	for name, c := range map[string]struct{ from, to, want string }{
		"unknown signal":  {"drum_speed: {start", "barrel_speed: {start", "the van has no such signal: barrel_speed in frame shafts"},
		"unknown element": {"drum brake", "band brake", `no element "drum brake"`},
		"unknown shaft":   {"rear carrier", "aft carrier", `no shaft "rear carrier"`},
		"missing state":   {"2: N, 3: D", "2: N, 3: drive", `needs the states P, R, N, D; the vehicle file lacks "D"`},
	} {
		text := strings.ReplaceAll(string(signals.Van()), c.from, c.to)
		if name == "unknown signal" {
			text = strings.ReplaceAll(text, "drum_speed: {shaft", "barrel_speed: {shaft")
		}
		if name == "missing state" { // the codes of the lever's contacts and the procedures name its positions
			text = strings.ReplaceAll(text, "D: {contacts", "drive: {contacts")
			text = strings.ReplaceAll(text, `lever == "D"`, `lever == "drive"`)
		}
		f, list := signals.Parse(name, []byte(text), nil)
		if f == nil {
			t.Fatal(name, list)
		}
		if _, err := Open(context.Background(), DefaultOptions(), f, nil); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v; expected it to say %s", name, err, c.want)
		}
	}
	f := *vehicle(t)
	f.Transmission = nil
	if _, err := NewAdapter(DefaultOptions(), &f, nil); err == nil {
		t.Error("no error for a file without a transmission")
	}
	f = *vehicle(t)
	f.Buses = append(f.Buses, f.Buses[0])
	if _, err := NewAdapter(DefaultOptions(), &f, nil); err == nil || !strings.Contains(err.Error(), "2 buses") {
		t.Errorf("two buses: %v", err)
	}
}

// The protocol as the host sees it (facts of the serial line: the Linux slcan
// driver; V, N, Z and the answers from memory).
func TestAdapterAnswers(t *testing.T) {
	a, err := NewAdapter(DefaultOptions(), vehicle(t), nil)
	if err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 4096)
	for _, c := range []struct{ send, want string }{
		{"\r\r\r", "\r\r\r"},
		{"L\r", "\a"}, // no rate yet
		{"S9\r", "\a"},
		{"X\r", "\a"},
		{"t1230\r", "\a"},
		{"V\r", "V0101\r"},
		{"N\r", "NVAN1\r"},
		{"F\r", "\a"},
		{"S5\r", "\r"},
		{"Z1\r", "\r"},
		{"C\r", "\r"},
		{"O\r", "\r"},
		{"S6\r", "\a"}, // open already
		{"F\r", "F80\r"},
		{"C\r", "\r"},
		{strings.Repeat("S", 1000) + "\r", "\a"},
		{"S6\r", "\r"},
		{"L\rF\r", "\rF00\r"},
	} {
		if _, err := io.WriteString(a, c.send); err != nil {
			t.Fatal(err)
		}
		n, err := a.Read(buf)
		if err != nil || string(buf[:n]) != c.want {
			t.Errorf("%.20q: answer %q, %v; expected %q", c.send, buf[:n], err, c.want)
		}
	}
	n, err := a.Read(buf)
	var e slcan.Event
	var fr capture.Frame
	var d slcan.Decoder
	d.Push(buf[:n])
	if err != nil || !d.Next(&e, &fr) || e.Kind != slcan.Frame || e.StampMS != int(a.Now()/1e6) {
		t.Errorf("after opening: %q, %v, decoded as %+v at %d", buf[:n], err, e, a.Now())
	}
	if err := a.Close(); err != nil {
		t.Error(err)
	}
	if _, err := a.Read(buf); !errors.Is(err, os.ErrClosed) {
		t.Errorf("read after close: %v", err)
	}
	if _, err := a.Write([]byte("C\r")); !errors.Is(err, os.ErrClosed) {
		t.Errorf("write after close: %v", err)
	}
	if err := a.Close(); !errors.Is(err, os.ErrClosed) {
		t.Errorf("second close: %v", err)
	}
}

func TestCloseWakesAReader(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, err := NewAdapter(DefaultOptions(), vehicle(t), capture.NewSessionClock())
		if err != nil {
			t.Fatal(err)
		}
		got := make(chan error)
		go func() {
			_, err := a.Read(make([]byte, 100))
			got <- err
		}()
		synctest.Wait()
		a.Close()
		if err := <-got; !errors.Is(err, os.ErrClosed) {
			t.Errorf("read returned %v", err)
		}
	})
}

// In real time the same frames come at their moments, and the truth is on the
// session's clock.
func TestRealTimeIsTheSameDrive(t *testing.T) {
	f := vehicle(t)
	o := DefaultOptions()
	o.For = 40 * time.Second
	var fast []capture.Frame
	src, err := Open(context.Background(), o, f, nil)
	if err != nil {
		t.Fatal(err)
	}
	framesOf(t, src, func(fr *capture.Frame) { fast = append(fast, *fr) })
	src.Close()
	synctest.Test(t, func(t *testing.T) {
		clock := capture.NewSessionClock()
		began := time.Now()
		var w bytes.Buffer
		o.Truth = &w
		src, err := Open(context.Background(), o, f, clock)
		if err != nil {
			t.Fatal(err)
		}
		anchor := capture.Stamp(0)
		i := 0
		framesOf(t, src, func(fr *capture.Frame) {
			want := fast[i]
			if i == 0 {
				anchor = fr.Time - want.Time
			}
			if fr.ID != want.ID || fr.Data != want.Data || fr.Time != want.Time+anchor {
				t.Fatalf("frame %d: %X at %d; as fast as possible %X at %d + %d", i, fr.ID, fr.Time, want.ID, want.Time, anchor)
			}
			i++
		})
		if i != len(fast) {
			t.Errorf("%d frames in real time, %d as fast as possible", i, len(fast))
		}
		if took := time.Since(began); took < 40*time.Second || took > 41*time.Second {
			t.Errorf("40 s took %v", took)
		}
		if anchor%1e7 != 0 {
			t.Errorf("the drive begins at %d ns, not on a tick of 10 ms", anchor)
		}
		if err := src.Close(); err != nil {
			t.Error(err)
		}
		var first told
		line, _, _ := strings.Cut(w.String(), "\n")
		if err := json.Unmarshal([]byte(line), &first); err != nil || math.Abs(first.Time-anchor.Seconds()) > 1e-3 {
			t.Errorf("the truth begins with %s, %v; expected time %f", line, err, anchor.Seconds())
		}
	})
}

func TestWrongRateHearsNothing(t *testing.T) {
	a, err := NewAdapter(Options{For: time.Second}, vehicle(t), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	io.WriteString(a, "S5\rL\r")
	got, err := io.ReadAll(a)
	if err != nil || string(got) != "\r\r" {
		t.Errorf("at the wrong bit rate: %q, %v", got, err)
	}
}

type brokenDisk struct{}

func (brokenDisk) Write([]byte) (int, error) { return 0, errors.New("no space left on device") }

func TestTruthThatCannotBeWritten(t *testing.T) {
	o := DefaultOptions()
	o.For, o.Truth = time.Minute, brokenDisk{}
	src, err := Open(context.Background(), o, vehicle(t), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	var b capture.Batch
	for err == nil {
		b.Reset()
		err = src.Next(context.Background(), &b)
	}
	if !strings.Contains(err.Error(), "truth channel cannot be written: no space left") {
		t.Errorf("got %v", err)
	}
}

func FuzzAdapterWrite(f *testing.F) {
	f.Add([]byte("\r\r\rC\rS6\rZ1\rL\r"))
	f.Add([]byte("S6\rO\rt12381122334455667788\rF\r\a\nC\r"))
	f.Add(bytes.Repeat([]byte("V\r"), 3000))
	file, list := signals.Parse("van.yaml", signals.Van(), nil)
	if file == nil {
		f.Fatal(list)
	}
	f.Fuzz(func(t *testing.T, p []byte) {
		a, err := NewAdapter(Options{For: 50 * time.Millisecond}, file, nil)
		if err != nil {
			t.Fatal(err)
		}
		if n, err := a.Write(p); n != len(p) || err != nil {
			t.Fatalf("wrote %d of %d, %v", n, len(p), err)
		}
		if len(a.line) > maxCommand || len(a.out) > maxAnswers+16 {
			t.Fatalf("holds %d and %d bytes", len(a.line), len(a.out))
		}
		a.Close()
	})
}

// BenchmarkDrive gives simulated seconds per second, all in one goroutine.
func BenchmarkDrive(b *testing.B) {
	o := DefaultOptions()
	o.Drive = "shifts"
	a, err := NewAdapter(o, vehicle(b), nil)
	if err != nil {
		b.Fatal(err)
	}
	defer a.Close()
	io.WriteString(a, "S6\rL\r")
	buf := make([]byte, 64)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := a.Read(buf); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(a.Now().Seconds()/b.Elapsed().Seconds(), "simulated_s/s")
}
