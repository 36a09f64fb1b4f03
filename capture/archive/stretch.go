package archive

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strings"

	"gearwitness/capture"
	"gearwitness/capture/pcapng"
)

// stretchSize is about how many bytes of a capture file have a digest of their
// own, so that a changed file can be blamed on some seconds of the drive and
// the rest still stands.
const stretchSize = 1 << 20

// stretch is a run of whole blocks of a capture file.
type stretch struct {
	file         string
	offset, size int64
	first, last  uint64 // packets by number from 1, as other tools count them; first > last: none
	from, to     capture.Stamp
	digest       string
}

// String is the line of the stretch file.
func (s stretch) String() string {
	return fmt.Sprintf("%s %d %d %d %d %s %s %s", s.digest, s.offset, s.size, s.first, s.last,
		appendSeconds(nil, s.from), appendSeconds(nil, s.to), s.file)
}

func (s stretch) words() string {
	if s.first > s.last {
		return fmt.Sprintf("bytes %d to %d, which hold no frame", s.offset, s.offset+s.size-1)
	}
	return fmt.Sprintf("frames %d to %d (%s s to %s s), bytes %d to %d", s.first, s.last,
		appendSeconds(nil, s.from), appendSeconds(nil, s.to), s.offset, s.offset+s.size-1)
}

// stretches cuts a capture file into stretches and takes their digests, reading
// it twice: once as a capture file, once as bytes. What lies behind the good
// part of a damaged file is a stretch of its own, without frames.
func stretches(fsys FS, path, name string, m *meter) ([]stretch, *pcapng.DamageError, error) {
	list, damage, err := cutStretches(m.ctx, fsys, path, name)
	if err != nil {
		return nil, nil, err
	}
	return list, damage, digestStretches(fsys, path, list, m)
}

func cutStretches(ctx context.Context, fsys FS, path, name string) ([]stretch, *pcapng.DamageError, error) {
	f, err := fsys.Open(path)
	if err != nil {
		return nil, nil, plain(err)
	}
	defer f.Close()
	r := pcapng.NewReader(f, name)
	var list []stretch
	var b capture.Batch
	s := stretch{file: name, first: 1}
	var damage *pcapng.DamageError
	for {
		b.Reset()
		err := r.Next(ctx, &b)
		if len(b.Frames)+len(b.Lines) > 0 && s.last < s.first {
			s.from = firstTime(&b)
		}
		s.size, s.last, s.to = r.Offset()-s.offset, r.Packets(), r.LastTime()
		if err != nil && err != io.EOF && !errors.As(err, &damage) {
			return nil, nil, err
		}
		if damage != nil {
			s.size = damage.Offset - s.offset
		}
		if s.size > 0 && (s.size >= stretchSize || err != nil) {
			list = append(list, s)
			s = stretch{file: name, offset: s.offset + s.size, first: s.last + 1, last: s.last, from: s.to, to: s.to}
		}
		if err != nil {
			break
		}
	}
	if damage != nil {
		s.last = s.first - 1
		s.size = -1 // up to the end of the file
		list = append(list, s)
	}
	return list, damage, nil
}

func firstTime(b *capture.Batch) capture.Stamp {
	if len(b.Frames) > 0 && (len(b.Lines) == 0 || b.Frames[0].Time <= b.Lines[0].Time) {
		return b.Frames[0].Time
	}
	return b.Lines[0].Time
}

func digestStretches(fsys FS, path string, list []stretch, m *meter) error {
	f, err := fsys.Open(path)
	if err != nil {
		return plain(err)
	}
	defer f.Close()
	for i := range list {
		h := sha256.New()
		var r io.Reader = f
		if list[i].size >= 0 {
			r = io.LimitReader(f, list[i].size)
		}
		n, err := copyMetered(h, r, m)
		if err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
		list[i].size = n
		list[i].digest = hex.EncodeToString(h.Sum(nil))
	}
	return nil
}

// parseStretches reads the stretch file.
func parseStretches(r io.Reader) ([]stretch, error) {
	var list []stretch
	sc := bufio.NewScanner(r)
	sc.Buffer(nil, 4096)
	for n := 1; sc.Scan(); n++ {
		fields := strings.SplitN(sc.Text(), " ", 8)
		var s stretch
		bad := len(fields) != 8 || len(fields[0]) != 64
		if !bad {
			_, err := fmt.Sscanf(strings.Join(fields[1:5], " "), "%d %d %d %d", &s.offset, &s.size, &s.first, &s.last)
			var err1, err2 error
			s.from, err1 = parseSeconds(fields[5])
			s.to, err2 = parseSeconds(fields[6])
			s.digest, s.file = fields[0], fields[7]
			bad = err != nil || err1 != nil || err2 != nil || s.offset < 0 || s.size < 0
		}
		if bad {
			return list, fmt.Errorf("%s:%d: expected digest, offset, size, first and last frame, times and file, found %q", sumsPath, n, clip(sc.Text()))
		}
		if len(list) >= 1_000_000 {
			return list, fmt.Errorf("%s: more than a million stretches", sumsPath)
		}
		list = append(list, s)
	}
	return list, sc.Err()
}
