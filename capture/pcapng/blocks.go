package pcapng

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/bits"
)

const (
	readSize = 256 << 10
	// slack lets a decoder load eight bytes at once near the end of a block.
	slack = 64
	// headSize is how much is kept of a block that does not fit the buffer.
	// Packets of ours are far smaller; of a huge header, this holds the names.
	headSize = 16 << 10
)

// blocks walks the blocks of a file: framing and nothing else. Every length is
// checked before it is trusted, and a block counts only when its length is
// repeated at its end.
type blocks struct {
	src     io.Reader
	path    string
	buf     []byte // readSize bytes, and slack
	r, w    int    // buf[r:w] is read and not yet walked
	base    int64  // file offset of buf[0]
	big     bool   // byte order of the section
	started bool
	packets uint64
	head    []byte // kept start of a block larger than the buffer
	err     error  // what ended the walk; io.EOF is a good end
	readErr error
}

func newBlocks(src io.Reader, path string) *blocks {
	return &blocks{src: src, path: path, buf: make([]byte, readSize+slack)}
}

// offset returns the place of the next block in the file.
func (b *blocks) offset() int64 { return b.base + int64(b.r) }

// buffered tells whether next will return without reading more.
func (b *blocks) buffered() bool {
	p := b.buf[b.r:b.w]
	return len(p) >= minBlock && uint64(b.u32(p[4:])) <= uint64(len(p))
}

// next returns type, length and bytes of the next whole block, valid until the
// call after; its capacity reaches slack bytes further. Of a block that is
// larger than the buffer only the start is returned.
func (b *blocks) next() (typ uint32, length int, block []byte, err error) {
	for {
		p := b.buf[b.r:b.w]
		if len(p) >= minBlock {
			head := le.Uint64(p)
			typ, n := uint32(head), uint32(head>>32)
			if typ == typeSection || !b.started {
				if err := b.section(p); err != nil {
					return 0, 0, nil, b.stop(err)
				}
			}
			if b.big {
				typ, n = bits.ReverseBytes32(typ), bits.ReverseBytes32(n)
			}
			if n&3 != 0 || n < minBlock {
				return 0, 0, nil, b.stop(b.damage("block length: expected a multiple of 4, at least 12, found %d", n))
			}
			if uint64(n) <= uint64(len(p)) {
				if tail := b.u32(p[n-4:]); tail != n {
					return 0, 0, nil, b.stop(b.damage("block length repeated at its end: expected %d, found %d", n, tail))
				}
				b.r += int(n)
				return typ, int(n), p[:n], nil
			}
			if n > readSize {
				block, err := b.huge(n)
				return typ, int(n), block, err
			}
		}
		if err := b.fill(); err != nil {
			return 0, 0, nil, err
		}
	}
}

// section reads the byte order of the section that begins here.
func (b *blocks) section(p []byte) error {
	switch {
	case le.Uint32(p) != typeSection:
		return b.foreign(p)
	case le.Uint32(p[8:]) == magic:
		b.big = false
	case binary.BigEndian.Uint32(p[8:]) == magic:
		b.big = true
	default:
		return b.damage("byte-order magic of a section: expected 1a2b3c4d, found %x", p[8:12])
	}
	b.started = true
	return nil
}

// foreign says what a file is that does not begin with a section header.
func (b *blocks) foreign(p []byte) error {
	what := ""
	switch {
	case bytes.HasPrefix(p, []byte{0x1f, 0x8b}):
		what = "; this file is compressed with gzip: unpack it first"
	case bytes.HasPrefix(p, []byte{0xd4, 0xc3, 0xb2, 0xa1}), bytes.HasPrefix(p, []byte{0xa1, 0xb2, 0xc3, 0xd4}),
		bytes.HasPrefix(p, []byte{0x4d, 0x3c, 0xb2, 0xa1}), bytes.HasPrefix(p, []byte{0xa1, 0xb2, 0x3c, 0x4d}):
		what = "; this is a file of the older pcap format: convert it to pcapng first"
	}
	return b.damage("no pcapng file: expected 0a0d0d0a at its start, found %x%s", p[:4], what)
}

// fill reads more, moving what is left to the front. It returns io.EOF at a
// good end and a DamageError where the file ends inside a block.
func (b *blocks) fill() error {
	if b.err != nil {
		return b.err
	}
	copy(b.buf, b.buf[b.r:b.w])
	b.base += int64(b.r)
	b.w -= b.r
	b.r = 0
	for range 100 {
		if b.readErr != nil {
			break
		}
		var n int
		n, b.readErr = b.src.Read(b.buf[b.w:readSize])
		b.w += n
		if n > 0 {
			return nil
		}
	}
	switch {
	case b.readErr == nil:
		return b.stop(b.prefix(io.ErrNoProgress))
	case b.readErr != io.EOF:
		return b.stop(b.prefix(b.readErr))
	case b.w > 0:
		p := b.buf[:b.w]
		if len(p) < minBlock {
			if k := min(4, len(p)); !b.started && string(p[:k]) != "\n\r\r\n"[:k] {
				return b.stop(b.damage("no pcapng file: expected 0a0d0d0a at its start, found %x", p[:k]))
			}
			return b.stop(b.cut("the file ends inside the head of a block: expected at least 12 bytes, found %d", len(p)))
		}
		return b.stop(b.cut("the file ends inside a block: expected %d bytes, found %d", b.u32(p[4:]), len(p)))
	case !b.started:
		return b.stop(b.cut("no pcapng file: the file is empty"))
	}
	return b.stop(io.EOF)
}

// huge passes over a block that does not fit the buffer and keeps its start.
func (b *blocks) huge(n uint32) ([]byte, error) {
	at := b.offset()
	for b.w-b.r < headSize {
		if err := b.fill(); err != nil {
			return nil, err
		}
	}
	b.head = append(b.head[:0], b.buf[b.r:b.r+headSize]...)
	left := int64(n) - 4
	for left > 0 {
		if b.r == b.w {
			if err := b.fillWithin(at, n); err != nil {
				return nil, err
			}
		}
		step := int(min(left, int64(b.w-b.r)))
		b.r += step
		left -= int64(step)
	}
	for b.w-b.r < 4 {
		if err := b.fillWithin(at, n); err != nil {
			return nil, err
		}
	}
	if tail := b.u32(b.buf[b.r:]); tail != n {
		d := b.damage("block length repeated at its end: expected %d, found %d", n, tail)
		d.Offset = at
		return nil, b.stop(d)
	}
	b.r += 4
	b.head = append(b.head, make([]byte, slack)...)
	return b.head[:headSize], nil
}

// fillWithin is fill inside the block of n bytes at offset at, where even an
// empty rest is a cut.
func (b *blocks) fillWithin(at int64, n uint32) error {
	err := b.fill()
	var d *DamageError
	if err == io.EOF || errors.As(err, &d) {
		cut := b.cut("the file ends inside a block: expected %d bytes, found %d", n, b.base+int64(b.w)-at)
		cut.Offset = at
		b.err = nil
		return b.stop(cut)
	}
	return err
}

func (b *blocks) u32(p []byte) uint32 {
	v := le.Uint32(p)
	if b.big {
		v = bits.ReverseBytes32(v)
	}
	return v
}

func (b *blocks) u16(p []byte) uint16 {
	v := le.Uint16(p)
	if b.big {
		v = bits.ReverseBytes16(v)
	}
	return v
}

func (b *blocks) u64(p []byte) uint64 {
	v := le.Uint64(p)
	if b.big {
		v = bits.ReverseBytes64(v)
	}
	return v
}

// stop remembers what ended the walk.
func (b *blocks) stop(err error) error {
	if b.err == nil {
		b.err = err
	}
	return b.err
}

func (b *blocks) damage(format string, args ...any) *DamageError {
	return &DamageError{Path: b.path, Offset: b.offset(), Frames: b.packets, What: fmt.Sprintf(format, args...)}
}

func (b *blocks) cut(format string, args ...any) *DamageError {
	d := b.damage(format, args...)
	d.Cut = true
	return d
}

// prefix puts file and place before an error of the reader beneath.
func (b *blocks) prefix(err error) error {
	if b.path == "" {
		return fmt.Errorf("offset %d: %w", b.offset(), err)
	}
	return fmt.Errorf("%s: offset %d: %w", b.path, b.offset(), err)
}

// Walked is what a bare walk over the blocks counts.
type Walked struct {
	Bytes   int64 // in whole blocks from the start of the file
	Blocks  uint64
	Packets uint64
}

// Walk passes over the blocks of a file, checking the framing alone. It is the
// fastest thing that can be done with a capture file and so the yardstick for
// everything else. The error is nil at a good end and a DamageError where the
// file is damaged or cut; what was counted before is good.
func Walk(r io.Reader) (Walked, error) { return walk(newBlocks(r, "")) }

func walk(b *blocks) (Walked, error) {
	var n Walked
	for {
		typ, _, _, err := b.next()
		if err != nil {
			if err == io.EOF {
				err = nil
			}
			n.Packets = b.packets
			return n, err
		}
		n.Blocks++
		n.Bytes = b.offset()
		if typ == typePacket || typ == typeOldPacket || typ == typeSimple {
			b.packets++
		}
	}
}
