// Package archive keeps sessions on disk: it records one while it happens,
// reads it again, seals and signs it, verifies it, and hands it on. A session
// is a folder, a BagIt bag (RFC 8493) of plain files that other people's tools
// can read and check; FORMAT.md beside this file describes it so that a
// stranger could write a reader.
//
// Recording never holds up the caller: Session.Record copies into bounded
// memory and a goroutine of its own writes. Bytes stay in memory until the
// disk has confirmed them, so that a disk that fails and comes back, or fills
// and is cleared, costs nothing as long as the memory lasts; what does not fit
// is counted and written down.
//
//	s, err := archive.Create(root, archive.Meta{Title: "Parcel van, flare 2-3"}, vehicle, archive.Options{})
//	s.Record(batch)
//	s.Mark(now, "customer hears it here")
//	err = s.Close()
//
// Nothing here interprets frames.
package archive

import (
	"fmt"
	"strings"
	"time"
)

// Format is the version of the folder's layout that this package writes.
const Format = 1

// Names inside a session folder. None needs the percent-encoding of BagIt.
const (
	dataDir      = "data"
	bagitName    = "bagit.txt"
	infoName     = "bag-info.txt"
	manifestName = "manifest-sha256.txt"
	tagName      = "tagmanifest-sha256.txt"
	sigName      = "tagmanifest-sha256.txt.sig"
	tokenName    = "tagmanifest-sha256.txt.tsr"
	vehiclePath  = "data/vehicle.yaml"
	journalPath  = "data/journal.jsonl"
	sumsPath     = "data/stretches.sha256"
	lockName     = "busy.lock"
	partSuffix   = ".part" // of a file that is still being written
)

const bagitText = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"

func capturePath(n int) string { return fmt.Sprintf("data/capture-%04d.pcapng", n) }

// Meta says who, what and why. All of it is optional and free text, except the
// times; it stands in bag-info.txt.
type Meta struct {
	Title           string // what the session is, in a few words
	Workshop        string
	Technician      string
	Job             string // job or order number
	Vehicle         string
	VIN             string // see CheckVIN: a wrong check digit is shown, never refused
	Odometer        string // as read, with its unit
	Concern         string // the customer's words
	PositionConsent string // who agreed to position data being kept; empty: nobody
	Software        string // program and version that recorded

	Started time.Time // wall clock; zero: now
	Ended   time.Time // set by Close; zero while recording or after a power failure
}

// labels lists the fields of Meta in the order of bag-info.txt. The first six
// labels are those of RFC 8493 section 2.2.2, the others our own.
func (m *Meta) labels() []struct {
	label string
	text  *string
} {
	return []struct {
		label string
		text  *string
	}{
		{"External-Description", &m.Title},
		{"Source-Organization", &m.Workshop},
		{"Contact-Name", &m.Technician},
		{"External-Identifier", &m.Job},
		{"Bag-Software-Agent", &m.Software},
		{"Vehicle", &m.Vehicle},
		{labelVIN, &m.VIN},
		{"Odometer", &m.Odometer},
		{"Concern", &m.Concern},
		{"Position-Consent", &m.PositionConsent},
	}
}

// folderName makes a session's name from its start and title: letters, digits
// and dashes alone, so that every file system and tool takes it.
func folderName(m Meta) string {
	name := m.Started.Format("2006-01-02_15-04-05")
	title := m.Title
	if title == "" {
		title = m.Vehicle
	}
	if s := slug(title); s != "" {
		name += "_" + s
	}
	return name
}

// slug makes letters, digits and dashes of a title, cut between words.
func slug(s string) string {
	const most = 40
	var b strings.Builder
	for _, r := range strings.ToLower(s) {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9':
			b.WriteRune(r)
		case b.Len() > 0 && !strings.HasSuffix(b.String(), "-"):
			b.WriteByte('-')
		}
		if b.Len() > most {
			break
		}
	}
	out := b.String()
	if len(out) > most {
		out = out[:most]
		if i := strings.LastIndexByte(out, '-'); i > 0 {
			out = out[:i]
		}
	}
	return strings.Trim(out, "-")
}
