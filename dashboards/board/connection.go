package board

import (
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"gearwitness/capture"
	"gearwitness/decode"
)

// Connection says in one word, one heading and one plain sentence how data
// reach us, and what to do where they do not.
type Connection struct {
	State    string `json:"state"` // one of the Conn constants
	Title    string `json:"title"`
	Text     string `json:"text"`
	Playback bool   `json:"playback"` // what is shown is a recording, not a vehicle
}

// States of a connection, worst first.
const (
	ConnStarting  = "starting"
	ConnNoAdapter = "no_adapter"
	ConnEnded     = "ended"
	ConnNoAnswer  = "no_answer"
	ConnNoFrames  = "no_frames"
	ConnUnknown   = "unknown_frames"
	ConnUnusable  = "unusable_frames"
	ConnStale     = "stale"
	ConnLive      = "live"
)

// A signal must be gone this much longer than its own limit before the whole
// connection is called stale; single late frames only dim their value.
const staleGrace = time.Second

// connection judges; the board is locked.
func (b *Board) connection() Connection {
	c := Connection{}
	var lost, opening, silent *Source
	for i := range b.sources {
		s := &b.sources[i]
		c.Playback = c.Playback || s.Playback
		switch s.State {
		case SourceLost:
			lost = s
		case SourceOpening:
			opening = s
		case SourceSilent:
			silent = s
		}
	}
	now := b.now()
	frames, last := b.carried()
	switch {
	case len(b.sources) == 0 && frames == 0:
		c.State, c.Title, c.Text = ConnStarting, "Starting", "The program is opening its sources."
	case lost != nil:
		c.State, c.Title = ConnNoAdapter, "No adapter"
		c.Text = Sentence(lost.Text, "The connection to "+lost.Address+" is lost. Plug it in again; it is opened again by itself.")
	case opening != nil:
		c.State, c.Title = ConnNoAdapter, "No adapter"
		c.Text = Sentence(opening.Text, "Waiting for "+opening.Address+". Plug it in; it is opened by itself.")
	case b.ended():
		c.State, c.Title, c.Text = ConnEnded, "Ended", "The source has come to its end. The figures below are its last ones."
	case frames == 0 && c.Playback:
		c.State, c.Title, c.Text = ConnLive, "Playing back", "Nothing has been played yet."
	case frames == 0 && silent != nil:
		c.State, c.Title = ConnNoAnswer, "No answer"
		c.Text = Sentence(silent.Text, silent.Address+" does not answer") + " Is this the port of a CAN adapter? Unplug it and plug it in again; if it still says nothing, try ?baud= with its own rate."
	case frames == 0:
		c.State, c.Title = ConnNoFrames, "No frames"
		c.Text = "The adapter is open, but nothing comes from the bus. Switch the ignition on, then check the plug, the bit rate and the pair of wires."
	case now.Sub(last) > arriving && c.Playback:
		c.State, c.Title = ConnNoFrames, "No frames"
		c.Text = fmt.Sprintf("The recording holds nothing for %.0f s up to here.", now.Sub(last).Seconds())
	case now.Sub(last) > arriving:
		c.State, c.Title = ConnNoFrames, "No frames"
		c.Text = fmt.Sprintf("Nothing has come from the bus for %.0f s. Is the ignition on? Then check the plug and the adapter.", now.Sub(last).Seconds())
	case last.Sub(b.decoded) > arriving && len(b.unusable) > 0:
		c.State, c.Title = ConnUnusable, "Frames not usable"
		c.Text = "Frames that this vehicle file describes arrive, but none of them can be used: " + enumerate(b.unusable) + ". Check that it is the file of this vehicle, and what it says of their check byte, counter and length."
	case last.Sub(b.decoded) > arriving:
		c.State, c.Title = ConnUnknown, "Unknown frames only"
		c.Text = "Frames arrive, but none that this vehicle file describes. Check that it is the right file, the right bus and the right bit rate."
	default:
		if names := b.gone(now); len(names) > 0 {
			c.State, c.Title, c.Text = ConnStale, "Signals missing", missing(names, c.Playback)
			break
		}
		c.State, c.Title, c.Text = ConnLive, "Live", "All signals seen so far keep coming."
		if c.Playback {
			c.Title, c.Text = "Playing back", "This is a recording; nothing here comes from a vehicle now, and it is not recorded again."
		}
	}
	return c
}

// carried returns the number of frames and lines, and the time of the last.
func (b *Board) carried() (n uint64, last capture.Stamp) {
	last = b.start
	for i := range b.buses {
		n += b.buses[i].frames
		last = max(last, b.buses[i].last)
	}
	return n, last
}

// gone lists the titles of frame and line signals that came once and no longer
// do; what is computed from them need not be named.
func (b *Board) gone(now capture.Stamp) []string {
	var names []string
	for i := range b.latest {
		in := &b.table.Signals[i]
		if in.Origin != decode.FromFrame && in.Origin != decode.FromLine {
			continue
		}
		if l := &b.latest[i]; l.seen && in.StaleAfter > 0 && now.Sub(l.at.Add(time.Duration(in.StaleAfter))) > staleGrace {
			names = append(names, in.Title)
		}
	}
	return names
}

// enumerate lists the first of some names, and how many more there are.
func enumerate(names []string) string {
	const most = 4
	list := strings.Join(names[:min(most, len(names))], ", ")
	if len(names) > most {
		list += fmt.Sprintf(" and %d more", len(names)-most)
	}
	return list
}

func missing(names []string, playback bool) string {
	text := "No longer coming: " + enumerate(names) + ". Their last values are dimmed."
	if !playback {
		text += " If it lasts, check the unit that sends them: supply, plug, bus."
	}
	return text
}

// Sentence returns given, or another where it is empty, with a capital and a
// full stop: errors come without.
func Sentence(given, otherwise string) string {
	if given == "" {
		return otherwise
	}
	r, n := utf8.DecodeRuneInString(given)
	given = string(unicode.ToUpper(r)) + given[n:]
	if !strings.ContainsAny(given[len(given)-1:], ".!?") {
		given += "."
	}
	return given
}

// stale tells whether the latest sample of a signal no longer counts, grace
// beyond its limit.
func (b *Board) stale(i int, now capture.Stamp, grace time.Duration) bool {
	in := &b.table.Signals[i]
	if in.StaleAfter == 0 {
		return false
	}
	if in.Origin == decode.FromAnalysis {
		// Its samples lag behind those of frames by the analysis' delay. While
		// the analysis runs, that is no age.
		now = max(min(now, b.analysed), now.Add(-analysisLag))
	}
	return now.Sub(b.latest[i].at) > time.Duration(in.StaleAfter)+grace
}
