package pcapng

import (
	"encoding/binary"
	"fmt"
	"io"
	"slices"

	"gearwitness/capture"
)

var le = binary.LittleEndian

// Header says who wrote a file; it goes into the section header. Empty fields
// are left out.
type Header struct {
	Hardware, OS, Application, Comment string
}

// Encoder turns batches into the bytes of a capture file. It owns no file: the
// caller decides when and where bytes go, which is what lets the recorder keep
// them until they are safely on disk.
//
//	e := pcapng.NewEncoder(h)
//	b = e.AppendBatch(b, batch) // begins with the section header
//	b = e.AppendEnd(b, now)     // statistics
//
// After AppendEnd the next batch begins a new section with the same
// interfaces: the beginning of the next file.
type Encoder struct {
	header   Header
	channels []capture.Channel
	counts   []counts
	open     bool // section header written
	written  int  // interfaces described in this section
	slow     bool // a drop count or comment waits for its packet
	comments []string
}

// counts is what the statistics block of one interface will say.
type counts struct {
	packets        uint64
	ifDrop, osDrop uint64
	pending        uint64 // drops not yet written with a packet
	first, last    capture.Stamp
}

// NewEncoder starts an encoder; nothing is encoded yet.
func NewEncoder(h Header) *Encoder { return &Encoder{header: h} }

// Describe makes channels known before anything of theirs is encoded. The table
// only grows: channels that are known already stay as they are.
func (e *Encoder) Describe(channels []capture.Channel) {
	for i := len(e.channels); i < len(channels); i++ {
		e.channels = append(e.channels, channels[i])
		e.counts = append(e.counts, counts{})
	}
}

// ChannelName returns the name of a channel, empty if nothing is known of it.
func (e *Encoder) ChannelName(channel uint8) string {
	if int(channel) >= len(e.channels) {
		return ""
	}
	return e.channels[channel].Name
}

// Lost says that frames of a channel will never be encoded. They go into the
// drop count of the next packet of that channel and into the statistics.
func (e *Encoder) Lost(channel uint8, reason string, n uint64) {
	if n == 0 {
		return
	}
	e.need(int(channel))
	c := &e.counts[channel]
	if reason == capture.ReasonQueue || reason == capture.ReasonDisk {
		c.osDrop += n
	} else {
		c.ifDrop += n
	}
	c.pending += n
	e.slow = true
}

// Comment attaches a remark to the next packet, or to the statistics if none
// follows.
func (e *Encoder) Comment(text string) {
	e.comments = append(e.comments, text)
	e.slow = true
}

// need makes sure that a channel is in the table; one that no batch has
// described gets a name from its number.
func (e *Encoder) need(channel int) {
	for len(e.channels) <= channel {
		e.channels = append(e.channels, capture.Channel{Name: fmt.Sprintf("bus %d", len(e.channels))})
		e.counts = append(e.counts, counts{})
	}
}

// AppendBatch appends frames and lines in time order, a frame before a line of
// the same time, and books the batch's losses. It does not allocate once dst
// has grown.
func (e *Encoder) AppendBatch(dst []byte, b *capture.Batch) []byte {
	e.Describe(b.Channels)
	dst = e.appendStart(dst)
	if len(b.Lines) == 0 && len(b.Losses) == 0 {
		return e.appendFrames(dst, b.Frames)
	}
	frames, lines, losses := b.Frames, b.Lines, b.Losses
	for len(frames)+len(lines) > 0 {
		text := len(frames) == 0 || len(lines) > 0 && lines[0].Time < frames[0].Time
		var at capture.Stamp
		if text {
			at = lines[0].Time
		} else {
			at = frames[0].Time
		}
		for len(losses) > 0 && losses[0].Time <= at {
			e.Lost(losses[0].Channel, losses[0].Reason, losses[0].Count)
			losses = losses[1:]
		}
		if text {
			dst = e.appendLine(dst, &lines[0])
			lines = lines[1:]
		} else {
			dst = e.appendFrames(dst, frames[:1])
			frames = frames[1:]
		}
	}
	for i := range losses {
		e.Lost(losses[i].Channel, losses[i].Reason, losses[i].Count)
	}
	return dst
}

// appendStart describes what a reader must know before the next packet.
func (e *Encoder) appendStart(dst []byte) []byte {
	if !e.open {
		e.open, e.written = true, 0
		at := len(dst)
		dst = le.AppendUint32(dst, typeSection)
		dst = le.AppendUint32(dst, 0)
		dst = le.AppendUint32(dst, magic)
		dst = le.AppendUint32(dst, 1) // version 1.0
		dst = le.AppendUint64(dst, ^uint64(0))
		n := len(dst)
		dst = appendText(dst, optComment, e.header.Comment)
		dst = appendText(dst, shbHardware, e.header.Hardware)
		dst = appendText(dst, shbOS, e.header.OS)
		dst = appendText(dst, shbApplication, e.header.Application)
		if len(dst) > n {
			dst = le.AppendUint32(dst, optEnd)
		}
		dst = finish(dst, at)
	}
	for ; e.written < len(e.channels); e.written++ {
		dst = appendInterface(dst, &e.channels[e.written])
	}
	return dst
}

func appendInterface(dst []byte, c *capture.Channel) []byte {
	at := len(dst)
	link, comment := uint32(LinkCAN), ""
	switch {
	case c.Kind == capture.Text:
		link, comment = LinkText, TextMark
	case c.Passive:
		comment = passiveMark
	}
	dst = le.AppendUint32(dst, typeInterface)
	dst = le.AppendUint32(dst, 0)
	dst = le.AppendUint32(dst, link) // and two reserved bytes
	dst = le.AppendUint32(dst, 0)    // no snap length
	dst = appendText(dst, ifName, c.Name)
	dst = appendText(dst, ifDescription, c.Device)
	dst = appendText(dst, optComment, comment)
	if c.BitRate > 0 {
		dst = appendOption(dst, ifSpeed, 8)
		dst = le.AppendUint64(dst, uint64(c.BitRate))
	}
	dst = append(appendOption(dst, ifResolution, 1), 9, 0, 0, 0)
	dst = le.AppendUint32(dst, optEnd)
	return finish(dst, at)
}

// frameRoom is the most that one frame takes without comments: head, packet,
// flags, drop count, end of options, trailer.
const frameRoom = packetHead + 8 + capture.MaxData + 8 + 12 + 4 + 4

func (e *Encoder) appendFrames(dst []byte, frames []capture.Frame) []byte {
	for len(frames) > 0 {
		// Room for some frames at a time, so that growing does not reckon with
		// the largest frame for all of them.
		part := frames[:min(len(frames), 256)]
		frames = frames[len(part):]
		dst = slices.Grow(dst, len(part)*frameRoom)
		for i := range part {
			f := &part[i]
			if int(f.Bus) >= len(e.counts) {
				e.need(int(f.Bus))
				dst = slices.Grow(e.appendStart(dst), len(part)*frameRoom)
			}
			c := &e.counts[f.Bus]
			if c.packets == 0 {
				c.first = f.Time
			}
			c.last = f.Time
			c.packets++
			if f.Flags&^capture.Extended == 0 && f.Len == 8 && !e.slow {
				// The common case by far: a classic frame with 8 data bytes.
				p := (*[48]byte)(dst[len(dst) : len(dst)+48])
				id := f.ID & idMask
				if f.Flags != 0 {
					id |= idExtended
				}
				le.PutUint64(p[0:], 48<<32|typePacket)
				le.PutUint64(p[8:], uint64(f.Time)>>32<<32|uint64(f.Bus))
				le.PutUint64(p[16:], 16<<32|uint64(uint32(f.Time)))
				le.PutUint32(p[24:], 16)
				binary.BigEndian.PutUint32(p[28:], id)
				le.PutUint32(p[32:], 8)
				copy(p[36:44], f.Data[:8])
				le.PutUint32(p[44:], 48)
				dst = dst[:len(dst)+48]
				continue
			}
			dst = e.appendFrame(dst, f, c)
		}
	}
	return dst
}

func (e *Encoder) appendFrame(dst []byte, f *capture.Frame, c *counts) []byte {
	n := min(int(f.Len), capture.MaxData)
	if f.Flags&capture.FD == 0 {
		n = min(n, 8)
	}
	id, fd := f.ID&idMask, byte(0)
	if f.Flags&capture.Extended != 0 {
		id |= idExtended
	}
	if f.Flags&capture.Error != 0 {
		id |= idError
	}
	if f.Flags&capture.FD != 0 {
		fd = fdFDF
		if f.Flags&capture.BitRateSwitch != 0 {
			fd |= fdBRS
		}
		if f.Flags&capture.ErrorState != 0 {
			fd |= fdESI
		}
	}
	data := f.Data[:n]
	if f.Flags&capture.Remote != 0 {
		id |= idRemote
		data = nil
	}
	at := len(dst)
	dst = appendPacketHead(dst, uint32(f.Bus), f.Time, 8+len(data), 8+len(data))
	dst = binary.BigEndian.AppendUint32(dst, id)
	dst = append(dst, byte(n), fd, 0, 0)
	dst = pad(append(dst, data...), len(data))
	return e.finishPacket(dst, at, c, f.Flags&capture.Own != 0)
}

func (e *Encoder) appendLine(dst []byte, l *capture.Line) []byte {
	if int(l.Port) >= len(e.counts) {
		e.need(int(l.Port))
		e.channels[l.Port].Kind = capture.Text
		dst = e.appendStart(dst)
	}
	c := &e.counts[l.Port]
	if c.packets == 0 {
		c.first = l.Time
	}
	c.last = l.Time
	c.packets++
	text := l.Text[:min(len(l.Text), MaxLine)]
	at := len(dst)
	dst = appendPacketHead(dst, uint32(l.Port), l.Time, len(text), len(l.Text))
	dst = pad(append(dst, text...), len(text))
	return e.finishPacket(dst, at, c, false)
}

func appendPacketHead(dst []byte, iface uint32, t capture.Stamp, captured, original int) []byte {
	dst = le.AppendUint64(dst, typePacket) // length follows in finish
	dst = le.AppendUint32(dst, iface)
	dst = le.AppendUint32(dst, uint32(uint64(t)>>32))
	dst = le.AppendUint32(dst, uint32(t))
	dst = le.AppendUint32(dst, uint32(captured))
	return le.AppendUint32(dst, uint32(original))
}

func (e *Encoder) finishPacket(dst []byte, at int, c *counts, own bool) []byte {
	options := len(dst)
	if own {
		dst = le.AppendUint32(appendOption(dst, epbFlags, 4), 2)
	}
	if e.slow {
		if c.pending > 0 {
			dst = le.AppendUint64(appendOption(dst, epbDropCount, 8), c.pending)
			c.pending = 0
		}
		dst = e.appendComments(dst)
		e.slow = slices.ContainsFunc(e.counts, func(c counts) bool { return c.pending > 0 })
	}
	if len(dst) > options {
		dst = le.AppendUint32(dst, optEnd)
	}
	return finish(dst, at)
}

func (e *Encoder) appendComments(dst []byte) []byte {
	for _, s := range e.comments {
		dst = appendText(dst, optComment, s)
	}
	clear(e.comments)
	e.comments = e.comments[:0]
	return dst
}

// AppendEnd closes the section with the statistics of each interface, stamped
// with the time given.
func (e *Encoder) AppendEnd(dst []byte, at capture.Stamp) []byte {
	dst = e.appendStart(dst)
	for i := range e.counts {
		c := &e.counts[i]
		start := len(dst)
		dst = le.AppendUint32(dst, typeStatistics)
		dst = le.AppendUint32(dst, 0)
		dst = le.AppendUint32(dst, uint32(i))
		dst = appendStamp(dst, at)
		if c.packets > 0 {
			dst = appendStamp(appendOption(dst, isbStart, 8), c.first)
			dst = appendStamp(appendOption(dst, isbEnd, 8), c.last)
		}
		dst = le.AppendUint64(appendOption(dst, isbReceived, 8), c.packets+c.ifDrop+c.osDrop)
		dst = le.AppendUint64(appendOption(dst, isbIfDrop, 8), c.ifDrop)
		dst = le.AppendUint64(appendOption(dst, isbOSDrop, 8), c.osDrop)
		dst = le.AppendUint64(appendOption(dst, isbDelivered, 8), c.packets)
		dst = e.appendComments(dst)
		dst = le.AppendUint32(dst, optEnd)
		dst = finish(dst, start)
		*c = counts{}
	}
	e.open, e.slow = false, len(e.comments) > 0
	return dst
}

func appendStamp(dst []byte, t capture.Stamp) []byte {
	dst = le.AppendUint32(dst, uint32(uint64(t)>>32))
	return le.AppendUint32(dst, uint32(t))
}

func appendOption(dst []byte, code, length uint16) []byte {
	return le.AppendUint16(le.AppendUint16(dst, code), length)
}

func appendText(dst []byte, code uint16, s string) []byte {
	if s == "" {
		return dst
	}
	s = s[:min(len(s), 0xFFFF)]
	return pad(append(appendOption(dst, code, uint16(len(s))), s...), len(s))
}

// pad follows n bytes with zeros up to a multiple of 4.
func pad(dst []byte, n int) []byte {
	for ; n&3 != 0; n++ {
		dst = append(dst, 0)
	}
	return dst
}

// finish writes the length of the block that began at at, twice.
func finish(dst []byte, at int) []byte {
	n := uint32(len(dst) + 4 - at)
	le.PutUint32(dst[at+4:], n)
	return le.AppendUint32(dst, n)
}

// Writer is an Encoder with an io.Writer behind it, for a file that needs no
// care against power failures.
type Writer struct {
	w   io.Writer
	enc *Encoder
	buf []byte
	err error
}

const flushAt = 256 << 10

// NewWriter starts a capture file on w. Nothing is written before the first
// Flush or a full buffer.
func NewWriter(w io.Writer, h Header) *Writer {
	return &Writer{w: w, enc: NewEncoder(h)}
}

// WriteBatch adds a batch. After an error of the io.Writer every further call
// returns it.
func (w *Writer) WriteBatch(b *capture.Batch) error {
	if w.err != nil {
		return w.err
	}
	w.buf = w.enc.AppendBatch(w.buf, b)
	if len(w.buf) >= flushAt {
		return w.Flush()
	}
	return nil
}

// Comment attaches a remark to the next packet.
func (w *Writer) Comment(text string) { w.enc.Comment(text) }

// Flush hands everything to the io.Writer.
func (w *Writer) Flush() error {
	if w.err == nil && len(w.buf) > 0 {
		_, w.err = w.w.Write(w.buf)
		w.buf = w.buf[:0]
	}
	return w.err
}

// Close writes the statistics as of the time given and flushes; the io.Writer
// stays open.
func (w *Writer) Close(at capture.Stamp) error {
	if w.err != nil {
		return w.err
	}
	w.buf = w.enc.AppendEnd(w.buf, at)
	return w.Flush()
}
