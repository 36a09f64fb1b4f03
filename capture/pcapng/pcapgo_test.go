package pcapng

import (
	"bytes"
	"io"
	"reflect"
	"testing"
	"time"

	"gearwitness/capture"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"
)

var mixed = pcapgo.NgReaderOptions{WantMixedLinkType: true}

// gopacket/pcapgo (BSD) as an independent reader and writer of good files.
func TestPcapgoReadsOurs(t *testing.T) {
	want := mixture()
	r, err := pcapgo.NewNgReader(bytes.NewReader(encode(want)), mixed)
	if err != nil {
		t.Fatal(err)
	}
	var frames []capture.Frame
	var lines, lost int
	var own []capture.Stamp
	for {
		data, ci, o, err := r.ReadPacketDataWithOptions()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		in, err := r.Interface(ci.InterfaceIndex)
		if err != nil || in.Name != want.Channels[ci.InterfaceIndex].Name {
			t.Fatalf("interface %+v, %v", in, err)
		}
		if o.DropCount != nil {
			lost += int(*o.DropCount)
		}
		if in.LinkType != layers.LinkType(LinkCAN) {
			lines++
			continue
		}
		f, reason := frameOf(data)
		if reason != "" {
			t.Fatal(reason)
		}
		f.Time, f.Bus = capture.Stamp(ci.Timestamp.UnixNano()), uint8(ci.InterfaceIndex)
		if o.Flags != nil && o.Flags.Direction == pcapgo.NgEpbFlagDirectionOutbound {
			f.Flags |= capture.Own
			own = append(own, f.Time)
		}
		frames = append(frames, f)
	}
	if !reflect.DeepEqual(frames, want.Frames) || lines != 3 || lost != 5 || len(own) != 1 {
		t.Errorf("pcapgo reads %+v\n%d lines, %d lost, own %v", frames, lines, lost, own)
	}
}

func TestOursReadsPcapgo(t *testing.T) {
	want := mixture()
	var out bytes.Buffer
	w, err := pcapgo.NewNgWriterInterface(&out, pcapgo.NgInterface{Name: "powertrain", LinkType: layers.LinkType(LinkCAN)}, pcapgo.NgWriterOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.AddInterface(pcapgo.NgInterface{Name: "chassis", LinkType: layers.LinkType(LinkCAN)}); err != nil {
		t.Fatal(err)
	}
	drops := uint64(3)
	for i, f := range want.Frames {
		e := NewEncoder(Header{})
		block := e.AppendBatch(nil, &capture.Batch{Channels: want.Channels, Frames: []capture.Frame{f}})
		at := bytes.LastIndex(block, []byte{byte(len(f.Payload()) + 8), 0, 0, 0, byte(len(f.Payload()) + 8), 0, 0, 0}) + 8
		packet := block[at : at+8+len(f.Payload())]
		o := pcapgo.NgPacketOptions{}
		if f.Flags&capture.Own != 0 {
			o.Flags = &pcapgo.NgEpbFlags{Direction: pcapgo.NgEpbFlagDirectionOutbound}
		}
		if i == 4 {
			o.DropCount = &drops
		}
		ci := gopacket.CaptureInfo{Timestamp: time.Unix(0, int64(f.Time)), CaptureLength: len(packet), Length: len(packet), InterfaceIndex: int(f.Bus) / 2}
		if err := w.WritePacketWithOptions(ci, packet, o); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	got, err := all(NewReader(&out, ""))
	if err != nil || len(got.Losses) != 1 || got.Losses[0].Count != 3 {
		t.Fatalf("%v, losses %v", err, got.Losses)
	}
	for i := range got.Frames {
		got.Frames[i].Bus *= 2
	}
	if !reflect.DeepEqual(got.Frames, want.Frames) {
		t.Errorf("read\n%+v want\n%+v", got.Frames, want.Frames)
	}
}

func BenchmarkReadAgainstPcapgo(b *testing.B) {
	file := benchFile()
	var batch capture.Batch
	var theirs, ours time.Duration
	for b.Loop() {
		start := time.Now()
		r, err := pcapgo.NewNgReader(bytes.NewReader(file), mixed)
		if err != nil {
			b.Fatal(err)
		}
		n := 0
		for {
			if _, _, err = r.ZeroCopyReadPacketData(); err != nil {
				break
			}
			n++
		}
		if n != benchFrames || err != io.EOF {
			b.Fatal(n, err)
		}
		middle := time.Now()
		readAll(b, file, &batch)
		theirs += middle.Sub(start)
		ours += time.Since(middle)
	}
	b.ReportMetric(perFrame(theirs, b.N), "pcapgo-ns/frame")
	b.ReportMetric(perFrame(ours, b.N), "read-ns/frame")
	b.ReportMetric(float64(theirs)/float64(ours), "pcapgo/read")
}

// The statistics at the end, as pcapgo reads them: each interface, lines of text as
// well as frames, from its own first packet to its own last.
func TestPcapgoReadsStatistics(t *testing.T) {
	want := mixture()
	end := want.Frames[len(want.Frames)-1].Time.Add(time.Second)
	e := NewEncoder(Header{})
	r, err := pcapgo.NewNgReader(bytes.NewReader(e.AppendEnd(e.AppendBatch(nil, want), end)), mixed)
	if err != nil {
		t.Fatal(err)
	}
	for err == nil {
		_, _, err = r.ReadPacketData()
	}
	if err != io.EOF {
		t.Fatal(err)
	}
	for i, w := range []struct {
		first, last       capture.Stamp
		received, dropped uint64 // by the interface: received are those that got lost later as well
	}{
		{want.Frames[0].Time, want.Frames[8].Time, 6 + 5, 5},
		{want.Lines[0].Time, want.Lines[2].Time, 3, 0},
		{want.Frames[1].Time, want.Frames[6].Time, 3 + 2, 0}, // 2 lost within this machine, which pcapgo does not read
	} {
		in, err := r.Interface(i)
		if err != nil {
			t.Fatal(err)
		}
		s := in.Statistics
		if s.StartTime.UnixNano() != int64(w.first) || s.EndTime.UnixNano() != int64(w.last) || s.LastUpdate.UnixNano() != int64(end) {
			t.Errorf("%s: from %v to %v, told at %v; want %v to %v at %v", in.Name, s.StartTime.UnixNano(), s.EndTime.UnixNano(), s.LastUpdate.UnixNano(), w.first, w.last, end)
		}
		if s.PacketsReceived != w.received || s.PacketsDropped != w.dropped {
			t.Errorf("%s: %d received, %d dropped; want %d and %d", in.Name, s.PacketsReceived, s.PacketsDropped, w.received, w.dropped)
		}
	}
}
