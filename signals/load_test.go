package signals

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gearwitness/signals/diag"
	"gearwitness/signals/unit"
)

// bareOf returns the file without places and without the list of files used,
// which printing does not keep.
func bareOf(f *File) *File {
	c := *f
	c.Use, c.source = nil, ""
	var strip func(v reflect.Value)
	strip = func(v reflect.Value) {
		switch v.Kind() {
		case reflect.Pointer:
			if !v.IsNil() {
				strip(v.Elem())
			}
		case reflect.Slice:
			for i := range v.Len() {
				strip(v.Index(i))
			}
		case reflect.Struct:
			if v.Type() == reflect.TypeFor[diag.Pos]() {
				v.SetZero()
				return
			}
			for i := range v.NumField() {
				if v.Field(i).CanSet() {
					strip(v.Field(i))
				}
			}
		}
	}
	strip(reflect.ValueOf(&c))
	return &c
}

func TestShippedFilesPrintAndReadBack(t *testing.T) {
	for name, text := range map[string][]byte{"van.yaml": Van(), "truck.yaml": Truck()} {
		f, list := Parse(name, text, nil)
		if len(list) > 0 {
			t.Errorf("%s:\n%s", name, list.Excerpts(func(string) []byte { return text }))
			continue
		}
		printed := f.Text()
		again, list := Parse("printed", printed, nil)
		if list.Err() != nil {
			t.Errorf("%s printed:\n%s", name, list.Excerpts(func(string) []byte { return printed }))
			continue
		}
		if string(again.Text()) != string(printed) {
			t.Errorf("%s: printed twice, differently", name)
		}
		if a, b := bareOf(f), bareOf(again); !reflect.DeepEqual(a, b) {
			t.Errorf("%s: reads back as another file", name)
		}
	}
}

// Texts and figures of any kind must survive printing and reading, whatever the
// rules say about their meaning.
func TestAnyTextPrintsAndReadsBack(t *testing.T) {
	words := rapid.OneOf(
		rapid.String(),
		rapid.StringMatching(`[ -~]{0,20}`),
		rapid.SampledFrom([]string{"true", "no", "~", "null", "1", "1.10", "0x1F", "- a", "a: b", "a #b", "#", "'", "\"", "\\", "*a", "&a", "!a", "%", "@", "`", "[", "{", ",", "?", ":", "|", ">", " a", "a ", "a\nb", "\n", "---", "...", "1e3", ".inf", "0b1", "1_000", "2001-01-01", "a\tb", "a\u00a0b", "\u2028", "\ufeff", "\x7f", "é", "日本"}),
	)
	figures := rapid.OneOf(rapid.Float64Range(-1e18, 1e18), rapid.SampledFrom([]float64{0, 1, -1, 0.1, 1e-9, 1e300, -1e-300, math.MaxFloat64, math.SmallestNonzeroFloat64}))
	rapid.Check(t, func(t *rapid.T) {
		text := func(label string) string {
			// What the reader refuses or trims is not at stake here.
			s := strings.ToValidUTF8(words.Draw(t, label), "")
			return strings.TrimRight(s, "\n")
		}
		f := &File{Format: 1, Vehicle: About{Title: text("title"), Note: text("note")}}
		if name := text("bus"); checkName(name) == nil {
			f.Buses = Named[Bus]{{Name: name, V: Bus{Note: text("bus note")}}}
		}
		low := figures.Draw(t, "low")
		s := Signal{Start: BitPos{Byte: rapid.IntRange(1, 64).Draw(t, "byte"), Bit: rapid.IntRange(1, 8).Draw(t, "bit")}, Bits: rapid.IntRange(-5, 70).Draw(t, "bits"),
			Order: Order(rapid.IntRange(0, 1).Draw(t, "order")), Number: Number(rapid.IntRange(0, 2).Draw(t, "number")),
			Resolution: figures.Draw(t, "resolution"), Offset: figures.Draw(t, "offset"), Title: text("signal title"),
			Unit: rapid.SampledFrom(unit.Table()).Draw(t, "unit").Symbol}
		if s.Resolution == 0 {
			s.Resolution = 1 // 0 is refused, so there is no way to write it
		}
		if high := figures.Draw(t, "high"); high > low {
			s.Range = &Range{low, high}
		}
		for range rapid.IntRange(0, 3).Draw(t, "states") {
			if name := text("state"); checkName(name) == nil && s.States.Index(name) < 0 {
				s.States = append(s.States, Entry[int64]{Name: name, V: int64(len(s.States)) - 1})
			}
		}
		id := rapid.Uint32().Draw(t, "id")
		fr := Frame{ID: &id, Every: rapid.SampledFrom([]time.Duration{0, time.Microsecond, 1500 * time.Microsecond, time.Second, 90 * time.Second, time.Hour}).Draw(t, "every"),
			Signals: Named[Signal]{{Name: "x", V: s}}}
		if name := text("frame"); checkName(name) == nil {
			f.Frames = Named[Frame]{{Name: name, V: fr}}
		}
		printed := f.Text()
		r := reader{places: places{spans: make(map[string]span), bad: make(map[string]bool)}, files: make(map[string]*source), texts: make(map[string][]byte)}
		again := &File{}
		r.read("printed", printed, again)
		for i := range again.Frames {
			r.resolveSignals(again.Frames[i].V.Signals, sub("", "frames", again.Frames[i].Name, "signals"))
		}
		if len(r.found) > 0 {
			t.Fatalf("refused: %v\n%s", r.found, printed)
		}
		f.Frames, again.Frames = settled(f.Frames), settled(again.Frames)
		if a, b := bareOf(f), bareOf(again); !reflect.DeepEqual(a, b) {
			t.Errorf("reads back as another file:\n%s\n%+v\n%+v", printed, a, b)
		}
	})
}

// settled brings the raw values of signed fields to one form on both sides.
func settled(frames Named[Frame]) Named[Frame] {
	for i := range frames {
		for j := range frames[i].V.Signals {
			frames[i].V.Signals[j].V.settleRaw()
		}
	}
	return frames
}

func TestLoadSaysWhatIsWrong(t *testing.T) {
	dir := t.TempDir()
	good := filepath.Join(dir, "good.yaml")
	if err := os.WriteFile(good, Van(), 0o644); err != nil {
		t.Fatal(err)
	}
	bad := filepath.Join(dir, "bad.yaml")
	if err := os.WriteFile(bad, []byte("format: 1\nuse: [part.yaml]\nbusses: {}\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "part.yaml"), []byte("format: 1\nframes: {a: {id: 1}}\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	big := filepath.Join(dir, "big.yaml")
	if err := os.WriteFile(big, make([]byte, maxFileBytes+1), 0o644); err != nil {
		t.Fatal(err)
	}
	if f, err := Load(good); err != nil || len(f.Frames) != 6 {
		t.Errorf("good file: %v", err)
	}
	for path, want := range map[string]string{
		filepath.Join(dir, "none.yaml"): "there is no file " + filepath.Join(dir, "none.yaml"),
		dir:                             "is a folder; expected a vehicle file",
		big:                             "a vehicle file has at most",
		bad:                             `bad.yaml:3:1: unknown key "busses"; did you mean "buses"?`,
	} {
		f, err := Load(path)
		if f != nil || err == nil || !strings.Contains(err.Error(), want) || strings.Count(err.Error(), "\n") > 0 {
			t.Errorf("%s: got %v; want %q on one line", path, err, want)
		}
		var list diag.List
		if errors.As(err, &list) != (path == bad) {
			t.Errorf("%s: %T", path, err)
		}
	}
}

// endless is a device that never comes to an end.
type endless struct{}

func (endless) Read(p []byte) (int, error) { clear(p); return len(p), nil }

func TestReadsNoMoreThanAFileMayHave(t *testing.T) {
	if _, err := readBounded(endless{}, "van.yaml"); err == nil || !strings.Contains(err.Error(), "van.yaml has more than 524288 bytes") {
		t.Errorf("got %v", err)
	}
	text := strings.Repeat("#", maxFileBytes)
	if got, err := readBounded(strings.NewReader(text), "van.yaml"); err != nil || string(got) != text {
		t.Errorf("%d bytes, %v", len(got), err)
	}
}
