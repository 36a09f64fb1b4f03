package archive

import (
	"bytes"
	"context"
	"encoding/hex"
	"os"
	"strings"
	"testing"

	"gearwitness/capture"
	"gearwitness/capture/pcapng"
)

// The worked example in FORMAT.md is what the writer writes and the reader reads.
func TestWorkedExample(t *testing.T) {
	doc, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, found := strings.Cut(string(doc), "Worked example")
	_, rest, found2 := strings.Cut(rest, "```\n")
	example, _, found3 := strings.Cut(rest, "```")
	if !found || !found2 || !found3 {
		t.Fatal("FORMAT.md has no worked example")
	}
	file, err := hex.DecodeString(strings.Join(strings.Fields(example), ""))
	if err != nil {
		t.Fatal(err)
	}
	want := &capture.Batch{
		Channels: []capture.Channel{{Name: "can0", BitRate: 500_000}},
		Frames: []capture.Frame{
			{Time: 1_500_000_000, ID: 0x123, Len: 8, Data: [64]byte{0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88}},
			{Time: 1_510_000_000, ID: 0x18FEF100, Flags: capture.Extended, Len: 2, Data: [64]byte{0xAA, 0xBB}},
		},
		Losses: []capture.Loss{{Time: 1_505_000_000, Reason: capture.ReasonOverrun, Count: 7}},
	}
	e := pcapng.NewEncoder(pcapng.Header{Application: "x"})
	written := e.AppendEnd(e.AppendBatch(nil, want), 1_510_000_000)
	if !bytes.Equal(written, file) {
		t.Errorf("the writer writes\n%x, the document has\n%x", written, file)
	}
	var got capture.Batch
	if err := pcapng.NewReader(bytes.NewReader(file), "").Next(context.Background(), &got); err != nil {
		t.Fatal(err)
	}
	if len(got.Frames) != 2 || got.Frames[0] != want.Frames[0] || got.Frames[1] != want.Frames[1] || got.Losses[0].Count != 7 {
		t.Errorf("the reader reads %+v", got)
	}
}

// The table of files in FORMAT.md names every file that a session can hold.
func TestDocumentNamesEveryFile(t *testing.T) {
	doc, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{bagitName, infoName, manifestName, tagName, sigName, tokenName, vehiclePath, journalPath, sumsPath, lockName, protectName, capturePath(1), Namespace,
		labelFormat, labelStarted, labelEnded, labelDate, labelOxum, labelDamage, labelVIN, pcapng.TextMark} {
		if !strings.Contains(string(doc), name) {
			t.Errorf("FORMAT.md does not mention %s", name)
		}
	}
	var m Meta
	for _, l := range m.labels() {
		if !strings.Contains(string(doc), "`"+l.label+"`") {
			t.Errorf("FORMAT.md does not mention %s", l.label)
		}
	}
	for _, kind := range []string{KindStart, KindEnd, KindMark, KindLoss, KindClock, KindFile, KindDisk, KindCorrection, "note"} {
		if !strings.Contains(string(doc), "`"+kind+"`") {
			t.Errorf("FORMAT.md does not mention entries of kind %s", kind)
		}
	}
}
