package archive

import (
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"
	"strings"
	"testing"

	"gearwitness/capture"
	"gearwitness/capture/pcapng"
)

// A saturated bus of 1 Mbit/s carries about 9,000 frames a second.
const framesPerHour = 9000 * 3600

// longFS holds a session whose capture file is made while it is read, so that
// ten hours of a saturated bus need no disk.
type longFS struct {
	*memFS
	frames int
}

func (l longFS) Open(path string) (ReadFile, error) {
	if strings.HasSuffix(path, ".pcapng") {
		return &longFile{enc: pcapng.NewEncoder(pcapng.Header{}), left: l.frames}, nil
	}
	return l.memFS.Open(path)
}

type longFile struct {
	enc  *pcapng.Encoder
	left int
	done int
	b    capture.Batch
	buf  []byte
	at   int
}

func (f *longFile) Read(p []byte) (int, error) {
	if f.at == len(f.buf) {
		if f.left == 0 {
			return 0, io.EOF
		}
		n := min(f.left, 1024)
		if f.b.Frames == nil {
			f.b = *batchOf(0, 1024)
		}
		f.b.Frames = f.b.Frames[:n]
		for i := range f.b.Frames {
			f.b.Frames[i].Time = capture.Stamp(f.done+i) * 111_111
		}
		f.buf, f.at = f.enc.AppendBatch(f.buf[:0], &f.b), 0
		f.left, f.done = f.left-n, f.done+n
	}
	n := copy(p, f.buf[f.at:])
	f.at += n
	return n, nil
}

func (*longFile) ReadAt([]byte, int64) (int, error) { return 0, errors.ErrUnsupported }
func (*longFile) Close() error                      { return nil }

// peak watches how much memory is in use.
type peak struct{ max uint64 }

func (p *peak) look() {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	p.max = max(p.max, m.HeapInuse+m.StackInuse)
}

func longSession(tb testing.TB, frames int) (longFS, string) {
	disk := newMemFS()
	dir := recorded(tb, disk, "/s", 1, Meta{})
	return longFS{disk, frames}, dir
}

// Memory must not depend on the length: ten hours are read, and one hour is
// sealed and verified.
func BenchmarkLongSession(b *testing.B) {
	b.Run("read/hours=10", func(b *testing.B) {
		const frames = 10 * framesPerHour
		disk, dir := longSession(b, frames)
		var p peak
		for b.Loop() {
			r, err := OpenFS(disk, dir)
			if err != nil {
				b.Fatal(err)
			}
			src := r.Frames()
			var batch capture.Batch
			n := 0
			for i := 0; ; i++ {
				batch.Reset()
				if err := src.Next(context.Background(), &batch); err == io.EOF {
					break
				} else if err != nil {
					b.Fatal(err)
				}
				if n += len(batch.Frames); i%10_000 == 0 {
					p.look()
				}
			}
			if n != frames {
				b.Fatal(n)
			}
		}
		b.ReportMetric(float64(b.N)*frames/b.Elapsed().Seconds(), "frames/s")
		b.ReportMetric(float64(p.max)/(1<<20), "peak-MiB")
	})
	b.Run("seal+verify/hours=1", func(b *testing.B) {
		var p peak
		steps := 0
		show := func(int64, int64) {
			if steps++; steps%1000 == 0 {
				p.look()
			}
		}
		for b.Loop() {
			disk, dir := longSession(b, framesPerHour)
			if _, err := Seal(context.Background(), dir, SealOptions{FS: disk, Progress: show}); err != nil {
				b.Fatal(err)
			}
			v, err := Verify(context.Background(), dir, VerifyOptions{FS: disk, Progress: show}, nil)
			if err != nil || !v.Holds() || v.Frames != framesPerHour {
				b.Fatal(v, err)
			}
		}
		b.ReportMetric(float64(b.N)*framesPerHour/b.Elapsed().Seconds(), "frames/s")
		b.ReportMetric(float64(p.max)/(1<<20), "peak-MiB")
	})
}

// The same in small, for every run of the tests: ten times the frames take no
// more memory.
func TestMemoryDoesNotGrowWithLength(t *testing.T) {
	use := func(frames int) uint64 {
		disk, dir := longSession(t, frames)
		runtime.GC()
		var p peak
		if _, err := Seal(context.Background(), dir, SealOptions{FS: disk, Progress: func(done, _ int64) {
			if done%(1<<22) < 1<<15 {
				p.look()
			}
		}}); err != nil {
			t.Fatal(err)
		}
		if v, err := Verify(context.Background(), dir, VerifyOptions{FS: disk}, nil); err != nil || !v.Holds() {
			t.Fatal(v, err)
		}
		p.look()
		return p.max
	}
	short, long := use(100_000), use(1_000_000)
	if long > short+short/2+8<<20 {
		t.Errorf("%s in use for 1,000,000 frames, %s for 100,000", mib(long), mib(short))
	}
}

func mib(n uint64) string { return fmt.Sprintf("%.1f MiB", float64(n)/(1<<20)) }
