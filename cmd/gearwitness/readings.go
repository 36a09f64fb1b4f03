package main

import (
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/dashboards"
	"gearwitness/decode/readings"
	"gearwitness/signals"
)

// enteredReadings are the readings of the session that is being recorded, or of
// the one that is played back.
type enteredReadings struct {
	file    *signals.File
	session *archive.Session // nil: nothing can be entered

	mu   sync.Mutex
	list []readings.Entry
}

// Enter is that of dashboards.Readings.
func (r *enteredReadings) Enter(in readings.Input) (readings.Entry, error) {
	e, err := readings.Judge(r.file, in)
	if err != nil {
		return e, err
	}
	e = e.Stamped(time.Now())
	r.mu.Lock()
	defer r.mu.Unlock()
	if err := r.session.Journal(readings.Kind, stampNow(), e); err != nil {
		return e, &dashboards.UnkeptError{Err: err}
	}
	r.list = append(r.list, e)
	return e, nil
}

// Entered is that of dashboards.Readings.
func (r *enteredReadings) Entered() []readings.Entry {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]readings.Entry(nil), r.list...)
}

// stampNow is the time of a journal entry that belongs to no frame.
func stampNow() capture.Stamp { return capture.Stamp(time.Now().UnixNano()) }

// readingsOf returns the readings in a session's journal, the oldest first. Lines
// that cannot be read are told by verify.
func readingsOf(folder string) ([]readings.Entry, error) {
	r, err := archive.Open(folder)
	if err != nil {
		return nil, err
	}
	var list []readings.Entry
	for e, err := range r.Journal() {
		if err != nil || e.Kind != readings.Kind {
			continue
		}
		if entry, err := readings.Parse(e.Fields); err == nil {
			list = append(list, entry)
		}
	}
	return list, nil
}

func newSessionsReading() *cobra.Command {
	var root string
	var in readings.Input
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "reading SESSION [NAME=VALUE]",
		Short: "Enter what was measured on the bench, or show the sheet",
		Long: `reading judges a value against the bench sheet of the session's vehicle file and
writes it into the session's journal; without NAME=VALUE it shows the sheet with
what has been entered. VALUE is a figure, with a unit or in that of the sheet, or
one of the choices. The resistance of a coil needs its temperature: it is
corrected to 20 °C.

The session must not be sealed. While it is being recorded, readings are entered
on the page. A later reading of the same name counts instead of an earlier one;
both stay in the journal.

Exit status: 0 good or noted, 1 beyond its limits, 2 used wrong, 3 failed.`,
		Example: `  gearwitness sessions reading 2026-11-25_10-00-00_parcel-van
  gearwitness sessions reading 2026-11-25_10-00-00_parcel-van low_gears_coil=6.2 --at '23 °C'
  gearwitness sessions reading 2026-11-25_10-00-00_parcel-van 'main_pressure_idle=5.4 bar' --by 'M. Okafor'`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) < 1 || len(args) > 2 {
				return usagef("%s: give a session, and NAME=VALUE to enter a reading; quote it if there are blanks in it", cmd.CommandPath())
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			folder, err := findSession(root, args[0])
			if err != nil {
				return err
			}
			file, err := sessionVehicle(folder)
			if err != nil {
				return err
			}
			if len(args) == 1 {
				return showSheet(cmd, file, folder, asJSON)
			}
			var ok bool
			if in.Reading, in.Value, ok = strings.Cut(args[1], "="); !ok {
				return usagef("expected NAME=VALUE such as low_gears_coil=6.2, found %q", args[1])
			}
			in.Reading = strings.TrimSpace(in.Reading)
			e, err := readings.Judge(file, in)
			if err != nil {
				return usageError{err}
			}
			e = e.Stamped(time.Now())
			if err := archive.Append(folder, readings.Kind, stampNow(), e); err != nil {
				return fmt.Errorf("the reading was not kept: %w; while a session is recorded, readings are entered on its page", err)
			}
			if asJSON {
				err = writeJSON(cmd, e)
			} else {
				err = writeReading(cmd.OutOrStdout(), e)
			}
			if err == nil && e.Verdict == readings.Bad {
				err = wrongError{}
			}
			return err
		},
	}
	f := cmd.Flags()
	f.StringVar(&in.At, "at", "", "temperature of the coil, such as '23 °C'")
	f.StringVar(&in.Note, "note", "", "a remark that is kept with the reading")
	f.StringVar(&in.By, "by", "", "who measured")
	f.BoolVar(&asJSON, "json", false, "print JSON")
	archiveFlag(cmd, &root)
	return cmd
}

func writeReading(w io.Writer, e readings.Entry) error {
	text := fmt.Sprintf("%s: %s", e.Title, e.Text())
	if limit := e.LimitText(); limit != "" {
		text += ", expected " + limit
	}
	_, err := fmt.Fprintf(w, "%s: %s\n", text, e.Verdict)
	return err
}

// showSheet prints the lines of the bench sheet with what counts of each.
func showSheet(cmd *cobra.Command, file *signals.File, folder string, asJSON bool) error {
	entered, err := readingsOf(folder)
	if err != nil {
		return err
	}
	lines := dashboards.BenchLines(file, entered)
	if asJSON {
		return writeJSON(cmd, lines)
	}
	if len(lines) == 0 {
		_, err := fmt.Fprintln(cmd.OutOrStdout(), "The vehicle file has no bench sheet.")
		return err
	}
	t := newTable(cmd.OutOrStdout(), "NAME", "READING", "EXPECTED", "ENTERED", "VERDICT")
	for _, l := range lines {
		text, verdict := "", "not read"
		if l.Entered != nil {
			text, verdict = l.Entered.Text(), l.Entered.Verdict
		}
		t.row(l.Name, l.Title, l.LimitText(), text, verdict)
	}
	return t.Flush()
}
