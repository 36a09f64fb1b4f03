package fit

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"
	"unicode/utf8"
)

// WriteText writes the report for people. file and recording are their names.
func (r *Report) WriteText(out io.Writer, file, recording string) error {
	w := &writer{w: out}
	w.line("%s held against %s: %s, %s.", file, recording, time.Duration(r.Span).Round(10*time.Millisecond), frames(r.Frames))
	w.line("")
	r.table(w)
	r.findings(w)
	r.strangers(w)
	r.related(w)
	return w.err
}

// writer keeps the first error.
type writer struct {
	w   io.Writer
	err error
}

func (w *writer) line(format string, args ...any) {
	if w.err == nil {
		_, w.err = fmt.Fprintf(w.w, format+"\n", args...)
	}
}

func frames(n uint64) string {
	if n == 1 {
		return "1 frame"
	}
	return fmt.Sprintf("%d frames", n)
}

// table lists what is described.
func (r *Report) table(w *writer) {
	if len(r.Described) == 0 || w.err != nil {
		return
	}
	t := tabwriter.NewWriter(w.w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "described\tidentifier\tcame\tdescribed as every\tmeasured\tshortest to longest\tnot sound")
	for _, d := range r.Described {
		between, bad := "–", "–"
		if d.Shortest != nil {
			between = duration(d.Shortest) + " to " + duration(d.Longest)
		}
		if n := d.Short + d.Checksum + d.Repeated; n > 0 {
			bad = fmt.Sprint(n)
		}
		id := d.ID
		if id == "" {
			id = d.Kind
		}
		fmt.Fprintf(t, "%s\t%s\t%d\t%s\t%s\t%s\t%s\n", d.Name, id, d.Count, duration(d.Expected), duration(d.Measured), between, bad)
	}
	w.err = t.Flush()
	w.line("")
}

func (r *Report) findings(w *writer) {
	part := func(wrong bool, title, none string) {
		n := 0
		for _, f := range r.Findings {
			if f.Wrong != wrong {
				continue
			}
			if n++; n == 1 {
				w.line("%s", title)
			}
			about := f.Frame
			if f.Signal != "" {
				about = f.Signal
			}
			if about != "" {
				about += " "
			}
			w.line("  %s%s", about, f.Text)
		}
		if n == 0 {
			w.line("%s", none)
		}
		w.line("")
	}
	part(true, "Wrong for this recording:", "All that is described came, and no signal left its range.")
	part(false, "Worth a look:", "Nothing else is remarkable about what is described.")
}

func (r *Report) strangers(w *writer) {
	if r.Unseen > 0 {
		w.line("There were too many identifiers to look at; %s are not counted below.", frames(r.Unseen))
	}
	if len(r.Unknown) == 0 {
		w.line("No identifier came that is not described.")
	} else {
		w.line("Not described, to be pasted under frames: and then named and scaled:")
	}
	r.unknown(w, r.Unknown)
	if len(r.Beside) > 0 {
		w.line("Moves beside what is described of a frame, to be pasted into it:")
	}
	r.unknown(w, r.Beside)
}

func (r *Report) unknown(w *writer, list []Unknown) {
	for _, u := range list {
		w.line("")
		head := fmt.Sprintf("  # %s on %s", u.ID, u.Channel)
		if u.Frame != "" {
			head += ", frame " + u.Frame
		}
		bytes := fmt.Sprintf("%d bytes", u.Length)
		if u.Varies {
			bytes += " and more"
		}
		head += fmt.Sprintf(": %d times", u.Count)
		if u.Period != nil {
			head += fmt.Sprintf(", every %s (%s to %s)", duration(u.Period), duration(u.Shortest), duration(u.Longest))
		}
		w.line("%s, %s", head, bytes)
		if moves := bitsOf(u.Moving); moves != "" {
			comment(w, "bits that change: "+moves)
		} else {
			comment(w, "no bit changes")
		}
		var guesses []string
		for _, f := range u.Fields {
			if f.Kind != "fixed" {
				guesses = append(guesses, fieldText(f))
			}
		}
		if guesses != nil {
			comment(w, "looks like: "+strings.Join(guesses, "; "))
		}
		w.line("%s", strings.TrimSuffix(u.Definition, "\n"))
	}
	if len(list) > 0 {
		w.line("")
	}
}

// comment writes a comment of a vehicle file over as many lines as it needs.
func comment(w *writer, text string) {
	line := "  #"
	for word := range strings.FieldsSeq(text) {
		if utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > 100 {
			w.line("%s", line)
			line = "  #  "
		}
		line += " " + word
	}
	w.line("%s", line)
}

func (r *Report) related(w *writer) {
	if r.With == "" {
		return
	}
	if len(r.Related) == 0 {
		w.line("Nothing that is not described moves with %s.", r.With)
		return
	}
	w.line("Moves with %s, the best first (score 1: explains all of its movement):", r.With)
	for _, m := range r.Related {
		w.line("")
		where := "under frames:"
		if m.Frame != "" {
			where = "under signals: of frame " + m.Frame
		}
		w.line("  # score %.4f: %s on %s, to be pasted %s", m.Score, m.ID, m.Channel, where)
		w.line("%s", strings.TrimSuffix(m.Definition, "\n"))
	}
}
