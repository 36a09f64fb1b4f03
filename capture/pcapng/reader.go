package pcapng

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"math/bits"
	"os"
	"slices"
	"strings"

	"gearwitness/capture"
)

const (
	// batchSize is about how many frames Next delivers: few enough to stay in
	// the cache, enough to make the call free.
	batchSize = 1024
	// batchBlocks bounds the work of one Next on a file of other blocks.
	batchBlocks = 16 * batchSize
	// maxInterfaces bounds the table of one section.
	maxInterfaces = 65536
	// maxChannels is what an index of a frame can name.
	maxChannels = 256
)

// Stats counts what a Reader has seen.
type Stats struct {
	Sections    uint64
	Frames      uint64 // CAN and CAN FD, delivered
	Lines       uint64 // delivered
	XL          uint64 // CAN XL, passed over
	Malformed   uint64 // packets that are no frame
	Foreign     uint64 // packets of other link types, passed over
	Untimed     uint64 // simple packets: without a time stamp, passed over
	Lost        uint64 // frames the file says were lost while it was written
	Application string // of the last section
	Hardware    string
	OS          string
}

// Reader reads frames and lines of a capture file. It implements
// capture.Source. The stamps stay as the file has them.
type Reader struct {
	*blocks
	closer   io.Closer
	channels []capture.Channel
	used     []bool // channels that this section has already described
	ifaces   []iface
	stats    Stats
	notes    []capture.Note // to go with the next batch
	said     map[string]bool
	last     capture.Stamp
	bad      [maxChannels]uint64 // malformed packets since the last batch
	anyBad   bool
}

// iface is one interface of the current section.
type iface struct {
	channel int // -1: not ours
	link    uint16
	plain   bool // nanoseconds without offset
	common  bool // and a CAN channel: see burst
	binary  bool // resolution is a power of two
	exp     uint8
	offset  int64  // s
	lost    uint64 // drop counts seen on packets
	booked  uint64 // part of the statistics' count that was reported
}

// Open opens a capture file.
func Open(path string) (*Reader, error) {
	f, err := os.Open(path)
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("%s: no such capture file: %w", path, fs.ErrNotExist)
		}
		return nil, err
	}
	if st, err := f.Stat(); err == nil && st.IsDir() {
		f.Close()
		return nil, fmt.Errorf("%s: is a folder: expected a capture file", path)
	}
	r := NewReader(f, path)
	r.closer = f
	return r, nil
}

// NewReader reads a capture file from src; name stands in errors and may be
// empty.
func NewReader(src io.Reader, name string) *Reader {
	return &Reader{blocks: newBlocks(src, name), last: math.MinInt64}
}

// Continue goes on with another file as if it followed the first: channels,
// counts and memory are kept, offsets and complaints are those of the new file.
// It also goes on behind damage. Closing the old file is left to the caller
// who opened it.
func (r *Reader) Continue(src io.Reader, name string) {
	buf := r.buf
	*r.blocks = blocks{src: src, path: name, buf: buf, head: r.head}
	r.closer = nil
	r.ifaces = r.ifaces[:0]
}

// Stats returns the counts so far.
func (r *Reader) Stats() Stats { return r.stats }

// Channels returns the buses and instruments described so far, before the first
// Next those described ahead of the first packet.
func (r *Reader) Channels() []capture.Channel {
	for r.packets == 0 && r.err == nil {
		typ, length, block, err := r.next()
		if err != nil {
			break // Next will say so
		}
		switch typ {
		case typePacket, typeOldPacket, typeSimple, typeStatistics:
			if length <= len(block) {
				r.r -= length // for Next to read
				return r.channels
			}
		}
		if r.block(typ, length, block, &capture.Batch{}) != nil {
			break
		}
	}
	return r.channels
}

// Packets returns how many packets have been read, whether or not they were
// delivered; other tools number packets the same way, from 1.
func (r *Reader) Packets() uint64 { return r.packets }

// LastTime returns the stamp of the last packet, 0 before the first.
func (r *Reader) LastTime() capture.Stamp { return r.stamp() }

// Offset returns how many bytes of whole blocks have been read.
func (r *Reader) Offset() int64 { return r.offset() }

// Close closes the file that Open opened.
func (r *Reader) Close() error {
	if r.closer != nil {
		return r.closer.Close()
	}
	return nil
}

// Next appends some thousand frames and lines at most. Frames stand as in the
// file; where its time goes back a note says so. It ends with io.EOF at a good
// end and with a DamageError where the file is damaged or cut.
func (r *Reader) Next(ctx context.Context, b *capture.Batch) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if r.err != nil {
		return r.err
	}
	if cap(b.Frames)-len(b.Frames) < batchSize {
		b.Frames = slices.Grow(b.Frames, batchSize)
	}
	start, notes := items(b), len(b.Notes)
	for n := 0; n < batchBlocks && items(b)-start < batchSize; n++ {
		r.burst(b, batchSize-(items(b)-start))
		if items(b) > start && !r.buffered() {
			break // hand over what there is before waiting for more
		}
		typ, length, block, err := r.next()
		if err == nil {
			err = r.block(typ, length, block, b)
		}
		if err != nil {
			r.deliver(b)
			if err == io.EOF && (items(b) > start || len(b.Notes) > notes) {
				return nil
			}
			return err
		}
	}
	r.deliver(b)
	return nil
}

// burst reads as many of the commonest blocks as there are in a row, at most
// limit: a packet without options, on a little-endian CAN interface that counts
// nanoseconds, with a classic data frame of eight bytes. It reads nothing else;
// whatever it does not take, block does.
func (r *Reader) burst(b *capture.Batch, limit int) {
	if r.big || !r.started {
		return
	}
	p := r.buf[r.r:r.w]
	n := len(b.Frames)
	frames := b.Frames[:min(cap(b.Frames), n+limit)]
	last := r.last
	for n < len(frames) && len(p) >= 48 {
		h := (*[48]byte)(p)
		id := uint64(le.Uint32(h[8:]))
		if le.Uint64(h[:]) != 48<<32|typePacket || le.Uint32(h[44:]) != 48 || // type, length twice
			le.Uint64(h[20:]) != 16<<32|16 || le.Uint32(h[32:]) != 8 || // captured, original, data length, no flags
			id >= uint64(len(r.ifaces)) {
			break
		}
		in := &r.ifaces[id]
		t := capture.Stamp(uint64(le.Uint32(h[12:]))<<32 | uint64(le.Uint32(h[16:])))
		can := binary.BigEndian.Uint32(h[28:])
		if !in.common || t < last || can > 0x7FF && can>>29 != idExtended>>29 {
			break
		}
		last = t
		f := &frames[n]
		if f.Len > 8 {
			clear(f.Data[8:]) // from an earlier use of this memory
		}
		f.Time, f.ID, f.Bus, f.Flags, f.Len = t, can&idMask, uint8(in.channel), capture.Flags(can>>31), 8
		*(*[8]byte)(f.Data[:]) = [8]byte(h[36:44])
		p = p[48:]
		n++
	}
	read := n - len(b.Frames)
	b.Frames = b.Frames[:n]
	r.last = last
	r.r = r.w - len(p)
	r.packets += uint64(read)
	r.stats.Frames += uint64(read)
}

func items(b *capture.Batch) int { return len(b.Frames) + len(b.Lines) + len(b.Losses) }

// deliver completes a batch.
func (r *Reader) deliver(b *capture.Batch) {
	b.Channels = r.channels
	b.Notes = append(b.Notes, r.notes...)
	r.notes = r.notes[:0]
	if r.anyBad {
		for ch, n := range r.bad {
			if n > 0 {
				b.Losses = append(b.Losses, capture.Loss{Time: r.stamp(), Channel: uint8(ch), Reason: capture.ReasonMalformed, Count: n,
					Detail: "packets of the capture file that are no CAN frame"})
			}
		}
		r.bad, r.anyBad = [maxChannels]uint64{}, false
	}
}

// stamp is the time of something without one: that of the last packet.
func (r *Reader) stamp() capture.Stamp {
	if r.last == math.MinInt64 {
		return 0
	}
	return r.last
}

// note remembers something for the next batch, each key once.
func (r *Reader) note(key string, channel int, kind, format string, args ...any) {
	if r.said[key] || len(r.said) > 1000 {
		return
	}
	if r.said == nil {
		r.said = map[string]bool{}
	}
	r.said[key] = true
	r.notes = append(r.notes, capture.Note{Time: r.stamp(), Channel: uint8(max(channel, 0)), Kind: kind, Text: fmt.Sprintf(format, args...)})
}

func (r *Reader) block(typ uint32, length int, p []byte, b *capture.Batch) error {
	switch typ {
	case typePacket:
		r.packets++
		if len(p) < packetHead+4 {
			r.malformed(-1, "a packet block of %d bytes is too short to hold a packet", length)
			return nil
		}
		r.packet(p, length, b)
	case typeSection:
		return r.sectionHeader(p)
	case typeInterface:
		return r.describe(p)
	case typeStatistics:
		r.statistics(p, b)
	case typeOldPacket:
		r.packets++
		r.oldPacket(p, length, b)
	case typeSimple:
		r.packets++
		r.stats.Untimed++
		r.note("untimed", 0, "skipped", "the capture file holds packets without a time stamp; they are passed over")
	}
	return nil
}

// packet reads an enhanced packet block.
func (r *Reader) packet(p []byte, length int, b *capture.Batch) {
	id := r.u32(p[8:])
	ticks := uint64(r.u32(p[12:]))<<32 | uint64(r.u32(p[16:]))
	captured, original := r.u32(p[20:]), r.u32(p[24:])
	if uint64(id) >= uint64(len(r.ifaces)) {
		r.malformed(-1, "a packet names interface %d, but only %d are described", id, len(r.ifaces))
		return
	}
	in := &r.ifaces[id]
	end := packetHead + (uint64(captured)+3)&^3
	if end+4 > uint64(length) {
		r.malformed(in.channel, "a packet of %d bytes in a block of %d", captured, length)
		return
	}
	if in.channel < 0 {
		r.stats.Foreign++
		return
	}
	t := capture.Stamp(ticks)
	if !in.plain {
		var ok bool
		if t, ok = in.stamp(ticks); !ok {
			r.malformed(in.channel, "a time stamp lies outside the years 1678 to 2262")
			return
		}
	}
	var own bool
	if end+4 < uint64(length) && end < uint64(len(p)) {
		own = r.packetOptions(p[end:len(p)-4], in, t, b)
	}
	r.payload(p, captured, original, t, in, own, b)
}

// payload reads the packet itself, at packetHead of p.
func (r *Reader) payload(p []byte, captured, original uint32, t capture.Stamp, in *iface, own bool, b *capture.Batch) {
	if t < r.last {
		r.note("back", in.channel, "clock", "time goes back by %v in the capture file", r.last.Sub(t))
	}
	r.last = t
	if in.link == LinkText {
		if captured > MaxLine {
			r.malformed(in.channel, "a line of text of %d bytes; expected at most %d", captured, MaxLine)
			return
		}
		data := p[packetHead : packetHead+captured]
		b.Lines = append(b.Lines, capture.Line{Time: t, Port: uint8(in.channel), Text: string(data)})
		r.stats.Lines++
		return
	}
	n := len(b.Frames)
	if n == cap(b.Frames) {
		b.Frames = slices.Grow(b.Frames, batchSize)
	}
	b.Frames = b.Frames[:n+1]
	f := &b.Frames[n]
	if f.Len > 8 {
		clear(f.Data[8:]) // from an earlier use of this memory
	}
	if reason := decodePacket(f, p, captured, original); reason != "" {
		*f = capture.Frame{}
		b.Frames = b.Frames[:n]
		if reason == reasonXL {
			r.stats.XL++
			r.note("xl", in.channel, "skipped", "the capture file holds CAN XL frames; they are counted and passed over")
			return
		}
		r.malformed(in.channel, "a packet is no CAN frame: %s", reason)
		return
	}
	f.Time, f.Bus = t, uint8(in.channel)
	if own {
		f.Flags |= capture.Own
	}
	r.stats.Frames++
}

const reasonXL = "CAN XL"

// decodePacket reads a packet of link type 227, which stands at packetHead of
// p, all but time and bus. It returns in words why a packet is no frame.
func decodePacket(f *capture.Frame, p []byte, captured, original uint32) string {
	if captured < 8 || len(p) < packetHead+8 {
		return "shorter than its head of 8 bytes"
	}
	id := binary.BigEndian.Uint32(p[packetHead:])
	n, fd := p[packetHead+4], p[packetHead+5]
	if n&0x80 != 0 {
		return reasonXL
	}
	f.ID, f.Flags = id&idMask, 0
	if id&idExtended != 0 {
		f.Flags |= capture.Extended
	}
	if id&idError != 0 {
		f.Flags |= capture.Error
	}
	if id&(idExtended|idError) == 0 && f.ID > 0x7FF {
		return fmt.Sprintf("identifier %X has more than 11 bits", f.ID)
	}
	most := byte(8)
	// Writers before the FDF bit put CAN FD frames into packets of 72 bytes.
	if fd&fdFDF != 0 || captured == 72 || original == 72 {
		most = capture.MaxData
		f.Flags |= capture.FD
		if fd&fdBRS != 0 {
			f.Flags |= capture.BitRateSwitch
		}
		if fd&fdESI != 0 {
			f.Flags |= capture.ErrorState
		}
	}
	if n > most {
		return fmt.Sprintf("%d data bytes; expected at most %d", n, most)
	}
	f.Len = n
	if id&idRemote != 0 {
		if n > 8 {
			return fmt.Sprintf("%d data bytes asked for; expected at most 8", n)
		}
		f.Flags = f.Flags&^(capture.FD|capture.BitRateSwitch|capture.ErrorState) | capture.Remote
		clear(f.Data[:8])
		return ""
	}
	if captured < 8+uint32(n) || len(p) < packetHead+8+int(n) {
		return fmt.Sprintf("payload of %d bytes, shorter than its length field %d", captured-8, n)
	}
	clear(f.Data[:8])
	copy(f.Data[:], p[packetHead+8:packetHead+8+int(n)])
	return ""
}

// malformed books a packet that is no frame; channel -1 when not even the
// interface is known.
func (r *Reader) malformed(channel int, format string, args ...any) {
	r.stats.Malformed++
	if channel >= 0 {
		r.bad[channel]++
		r.anyBad = true
	}
	// One note a kind: the text before any figure is the kind.
	r.note(format, channel, "malformed", "capture file, before offset %d: "+format, append([]any{r.offset()}, args...)...)
}

// option returns the next option of a list and what follows it. ok is false at
// the end of the list, be it marked or not.
func (b *blocks) option(p []byte) (code uint16, value, rest []byte, ok bool) {
	if len(p) < 4 {
		return
	}
	code = b.u16(p)
	n := int(b.u16(p[2:]))
	padded := (n + 3) &^ 3
	if code == optEnd || len(p) < 4+n {
		return
	}
	return code, p[4 : 4+n], p[min(len(p), 4+padded):], true
}

func (r *Reader) packetOptions(p []byte, in *iface, t capture.Stamp, b *capture.Batch) (own bool) {
	for {
		code, v, rest, ok := r.option(p)
		if !ok {
			return own
		}
		p = rest
		switch {
		case code == epbFlags && len(v) == 4:
			own = r.u32(v)&3 == 2
		case code == epbDropCount && len(v) == 8:
			if n := r.u64(v); n > 0 {
				in.lost += n
				r.lose(b, t, in.channel, n, "lost before this frame")
			}
		case code == optComment && len(v) > 0 && len(b.Notes) < batchSize:
			b.Notes = append(b.Notes, capture.Note{Time: t, Channel: uint8(in.channel), Kind: "comment", Text: text(v)})
		}
	}
}

func (r *Reader) lose(b *capture.Batch, t capture.Stamp, channel int, n uint64, detail string) {
	r.stats.Lost += n
	b.Losses = append(b.Losses, capture.Loss{Time: t, Channel: uint8(channel), Reason: capture.ReasonUnknown, Count: n, Detail: detail})
}

// sectionHeader begins a section: interfaces are numbered anew, but a bus that
// the sections share stays one channel.
func (r *Reader) sectionHeader(p []byte) error {
	if len(p) < 28 {
		return r.stop(r.before(len(p), "section header of %d bytes; expected at least 28", len(p)))
	}
	if major := r.u16(p[12:]); major != 1 {
		return r.stop(r.before(len(p), "written by pcapng version %d.%d, this program reads version 1; use a newer program", major, r.u16(p[14:])))
	}
	r.stats.Sections++
	r.ifaces = r.ifaces[:0]
	clear(r.used)
	for p := p[24 : len(p)-4]; ; {
		code, v, rest, ok := r.option(p)
		if !ok {
			return nil
		}
		p = rest
		switch code {
		case shbHardware:
			r.stats.Hardware = text(v)
		case shbOS:
			r.stats.OS = text(v)
		case shbApplication:
			r.stats.Application = text(v)
		case optComment:
			if len(r.notes) < batchSize {
				r.notes = append(r.notes, capture.Note{Time: r.stamp(), Kind: "comment", Text: text(v)})
			}
		}
	}
}

// before is damage in the block of n bytes that was just walked.
func (r *Reader) before(n int, format string, args ...any) *DamageError {
	d := r.damage(format, args...)
	d.Offset -= int64(n)
	return d
}

// describe reads an interface description.
func (r *Reader) describe(p []byte) error {
	if len(r.ifaces) == maxInterfaces {
		return r.stop(r.before(len(p), "more than %s interfaces in one section", grouped(maxInterfaces)))
	}
	if len(p) < 20 {
		return r.stop(r.before(len(p), "interface description of %d bytes; expected at least 20", len(p)))
	}
	in := iface{channel: -1, link: r.u16(p[8:]), exp: 6}
	c := capture.Channel{}
	marked := false
	for p := p[16 : len(p)-4]; ; {
		code, v, rest, ok := r.option(p)
		if !ok {
			break
		}
		p = rest
		switch {
		case code == ifName:
			c.Name = text(v)
		case code == ifDescription:
			c.Device = text(v)
		case code == optComment:
			marked = marked || string(v) == TextMark
			c.Passive = c.Passive || string(v) == passiveMark
		case code == ifSpeed && len(v) == 8:
			c.BitRate = int(min(r.u64(v), math.MaxInt32))
		case code == ifResolution && len(v) == 1:
			in.exp, in.binary = v[0]&0x7F, v[0]&0x80 != 0
		case code == ifOffset && len(v) == 8:
			in.offset = int64(r.u64(v))
		}
	}
	in.plain = in.exp == 9 && !in.binary && in.offset == 0
	if c.Name == "" {
		c.Name = fmt.Sprintf("interface %d", len(r.ifaces))
	}
	switch {
	case in.link == LinkCAN:
		in.channel = r.channel(c)
	case in.link == LinkText && marked:
		c.Kind, c.Passive = capture.Text, false
		in.channel = r.channel(c)
	default:
		r.note(fmt.Sprintf("link %d", in.link), 0, "skipped", "interface %s of the capture file carries link type %d; only CAN (%d) and lines of text of our own are read", c.Name, in.link, LinkCAN)
	}
	in.common = in.plain && in.link == LinkCAN && in.channel >= 0
	r.ifaces = append(r.ifaces, in)
	return nil
}

// channel returns the index of a channel, sharing it with an equal one of an
// earlier section.
func (r *Reader) channel(c capture.Channel) int {
	for i := range r.channels {
		if !r.used[i] && r.channels[i] == c {
			r.used[i] = true
			return i
		}
	}
	if len(r.channels) == maxChannels {
		r.note("channels", 0, "skipped", "the capture file describes more than %d buses; %s and further ones are passed over", maxChannels, c.Name)
		return -1
	}
	// A copy on growth: batches handed out keep the table they have.
	r.channels = append(slices.Clip(r.channels), c)
	r.used = append(r.used, true)
	return len(r.channels) - 1
}

// statistics books what was lost beyond the drop counts of the packets.
func (r *Reader) statistics(p []byte, b *capture.Batch) {
	if len(p) < 24 {
		return
	}
	id := r.u32(p[8:])
	if uint64(id) >= uint64(len(r.ifaces)) || r.ifaces[id].channel < 0 {
		return
	}
	in := &r.ifaces[id]
	var dropped uint64
	for p := p[20 : len(p)-4]; ; {
		code, v, rest, ok := r.option(p)
		if !ok {
			break
		}
		p = rest
		if (code == isbIfDrop || code == isbOSDrop) && len(v) == 8 {
			dropped, _ = bits.Add64(dropped, r.u64(v), 0)
		}
	}
	if known := max(in.lost, in.booked); dropped > known {
		r.lose(b, r.stamp(), in.channel, dropped-known, "lost at the end, by the statistics of the capture file")
		in.booked = dropped
	}
}

// oldPacket reads the packet block that pcapng had before the enhanced one.
func (r *Reader) oldPacket(p []byte, length int, b *capture.Batch) {
	if len(p) < packetHead+4 {
		r.malformed(-1, "an obsolete packet block of %d bytes is too short to hold a packet", length)
		return
	}
	id, drops := uint32(r.u16(p[8:])), r.u16(p[10:])
	if int(id) >= len(r.ifaces) {
		r.malformed(-1, "an obsolete packet block names interface %d, but only %d are described", id, len(r.ifaces))
		return
	}
	in := &r.ifaces[id]
	captured, original := r.u32(p[20:]), r.u32(p[24:])
	if packetHead+(uint64(captured)+3)&^3+4 > uint64(length) {
		r.malformed(in.channel, "an obsolete packet block of %d bytes holds a packet of %d", length, captured)
		return
	}
	if in.channel < 0 {
		r.stats.Foreign++
		return
	}
	t, ok := in.stamp(uint64(r.u32(p[12:]))<<32 | uint64(r.u32(p[16:])))
	if !ok {
		r.malformed(in.channel, "a time stamp of an obsolete packet block lies outside the years 1678 to 2262")
		return
	}
	if drops != 0 && drops != 0xFFFF { // all ones: unknown
		in.lost += uint64(drops)
		r.lose(b, t, in.channel, uint64(drops), "lost before this frame")
	}
	r.payload(p, captured, original, t, in, false, b)
}

// stamp turns the ticks of an interface into ns since 1970, rounding down. ok
// is false where int64 does not reach.
func (in *iface) stamp(ticks uint64) (t capture.Stamp, ok bool) {
	var sec, ns uint64
	switch {
	case in.plain:
		return capture.Stamp(ticks), true
	case in.binary && in.exp < 64:
		sec = ticks >> in.exp
		hi, lo := bits.Mul64(ticks&(1<<in.exp-1), 1e9)
		ns = hi<<(64-in.exp) | lo>>in.exp
	case in.binary: // finer than 2^-63: the whole count is below one second
		hi, _ := bits.Mul64(ticks, 1e9)
		ns = hi >> (in.exp - 64)
	case in.exp <= 19:
		unit := pow10(in.exp)
		sec = ticks / unit
		hi, lo := bits.Mul64(ticks%unit, 1e9)
		ns, _ = bits.Div64(hi, lo, unit)
	case in.exp-9 <= 19:
		ns = ticks / pow10(in.exp-9)
	default:
		return 0, true // below a nanosecond
	}
	const reach = math.MaxInt64 / 1_000_000_000
	if sec > 2*reach || in.offset > reach || in.offset < -2*reach {
		return 0, false
	}
	s := int64(sec) + in.offset
	if s >= reach || s <= -reach {
		return 0, false
	}
	return capture.Stamp(s*1e9 + int64(ns)), true
}

func pow10(n uint8) uint64 {
	p := uint64(1)
	for range n {
		p *= 10
	}
	return p
}

// text makes foreign bytes fit for people: valid UTF-8, bounded.
func text(v []byte) string {
	return strings.ToValidUTF8(string(v[:min(len(v), 4096)]), "\uFFFD")
}
