package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/compare"
	"gearwitness/decode/readings"
)

func newSessionsCompare() *cobra.Command {
	var root, vehicle string
	var asJSON, all bool
	cmd := &cobra.Command{
		Use:   "compare THEN NOW [C ...]",
		Short: "Compare sessions of one vehicle: is it still like then, and if not, where?",
		Long: `compare decodes the sessions and puts everything that was found side by side:
suspects, shifts that did not come, the slip of each clutch and brake while it
carries, engagements, the converter clutch, pressures, temperatures, switches,
sensors, fault memories and bench readings; and like shifts with like: the same
change of gear, with pedal, engine torque and oil temperature alike.

Each line is judged: "clearly different" (by more than what matters, beyond
chance), "different but small", "alike within what matters" (which is shown, not
assumed) or "too few to tell", with how many more would. What matters stands
beside each figure with --all; a vehicle file may replace it (limits: matters).

Of three sessions or more it says what changes from one to the next.

Exit status: 0 done, 2 used wrong, 3 failed.`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) < 2 {
				return usagef("%s: give two sessions or more", cmd.CommandPath())
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			show := newProgress(cmd.ErrOrStderr())
			defer show.done()
			var list []compare.Past
			for _, name := range args {
				folder, err := findSession(root, name)
				if err != nil {
					return err
				}
				p, err := shiftsOf(cmd.Context(), folder, vehicle, show)
				if err != nil {
					return err
				}
				list = append(list, p)
			}
			show.done()
			if len(list) == 2 {
				c := compare.Compare(&list[0].Record, &list[1].Record)
				if asJSON {
					return writeJSON(cmd, c)
				}
				return printComparison(cmd.OutOrStdout(), list, c, all)
			}
			h := compare.Trace(list)
			if asJSON {
				return writeJSON(cmd, h)
			}
			return printHistory(cmd.OutOrStdout(), h)
		},
	}
	archiveFlag(cmd, &root)
	cmd.Flags().StringVar(&vehicle, "vehicle", "", "decode with this vehicle file instead of the sessions' own")
	cmd.Flags().BoolVar(&all, "all", false, "print every line, with how sure it is and its kinds")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

// shiftsOf decodes a session for a comparison.
func shiftsOf(ctx context.Context, folder, vehicle string, show *progress) (compare.Past, error) {
	w, err := newWalk(folder, vehicle, false, show)
	if err != nil {
		return compare.Past{}, err
	}
	c, err := compare.NewCollector(w.file, w.chain.Table())
	if err != nil {
		return compare.Past{}, err
	}
	p := compare.Past{Name: filepath.Base(folder), Started: w.reader.Meta().Started}
	_, err = w.run(ctx, "decoding "+p.Name, func(out *decode.Output, _ capture.Stamp) error {
		c.Take(out)
		return nil
	})
	for e, err := range w.reader.Journal() {
		if err != nil || e.Kind != readings.Kind {
			continue // verify says where and why
		}
		if x, err := readings.Parse(e.Fields); err == nil {
			c.Reading(x)
		}
	}
	p.Record = *c.Finish()
	return p, err
}

// Widths of the columns of a comparison.
var comparisonWidths = [...]int{42, 24, 24, 26}

func printComparison(w io.Writer, list []compare.Past, c *compare.Comparison, all bool) error {
	for i, word := range []string{"Then:", "Now: "} {
		fmt.Fprintf(w, "%s  %s", word, list[i].Name)
		if t := list[i].Started; !t.IsZero() {
			fmt.Fprintf(w, ", %s", t.Format("2006-01-02 15:04"))
		}
		fmt.Fprintln(w)
	}
	fmt.Fprintln(w)
	for _, l := range wrapped(c.Said, 118) {
		fmt.Fprintln(w, l)
	}
	fmt.Fprintln(w)
	rows, left := 0, map[compare.Answer]int{}
	for i := range c.Rows {
		r := &c.Rows[i]
		if !all && r.Judged != compare.Different && r.Judged != compare.Small {
			left[r.Judged]++
			continue
		}
		if rows == 0 {
			printCells(w, "", "WHAT", "THEN", "NOW", "JUDGED")
		}
		rows++
		printRow(w, "", r)
		if !all {
			continue
		}
		for _, l := range wrapped(r.Words, 114) {
			fmt.Fprintf(w, "    %s\n", l)
		}
		if len(r.Kinds) > 1 {
			for k := range r.Kinds {
				printRow(w, "    ", &r.Kinds[k])
			}
		}
	}
	if rows > 0 {
		fmt.Fprintln(w)
	}
	if left[compare.Alike]+left[compare.TooFew]+left[compare.NotJudged] > 0 {
		var parts []string
		for _, a := range []compare.Answer{compare.Alike, compare.TooFew, compare.NotJudged} {
			if left[a] > 0 {
				parts = append(parts, fmt.Sprintf("%d %s", left[a], a))
			}
		}
		fmt.Fprintf(w, "Not shown: %s; --all shows them.\n", strings.Join(parts, ", "))
	}
	for _, n := range c.Notes {
		for _, l := range wrapped(n, 118) {
			fmt.Fprintln(w, l)
		}
	}
	return nil
}

func printRow(w io.Writer, indent string, r *compare.Row) {
	judged := string(r.Judged)
	if r.Judged == compare.Different && r.Direction != "" {
		judged += ": " + string(r.Direction)
	}
	printCells(w, indent, r.What, r.Then, r.Now, judged)
}

// printCells writes a line of the table; a cell that is too long goes on below.
func printCells(w io.Writer, indent string, cells ...string) {
	var columns [][]string
	lines := 0
	for i, c := range cells {
		width := comparisonWidths[i]
		if i == 0 {
			width -= len(indent)
		}
		l := wrapped(c, width)
		columns = append(columns, l)
		lines = max(lines, len(l))
	}
	for n := range lines {
		var b strings.Builder
		b.WriteString(indent)
		for i, l := range columns {
			text, width := "", comparisonWidths[i]
			if n < len(l) {
				text = l[n]
			}
			if i == 0 {
				width -= len(indent)
			}
			b.WriteString(text + strings.Repeat(" ", max(0, width+2-utf8.RuneCountInString(text))))
		}
		fmt.Fprintln(w, strings.TrimRight(b.String(), " "))
	}
}

// wrapped breaks a text into lines of at most so many characters, between words.
func wrapped(text string, width int) (lines []string) {
	line := ""
	for _, word := range strings.Fields(text) {
		if line != "" && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > width {
			lines = append(lines, line)
			line = ""
		}
		if line != "" {
			line += " "
		}
		line += word
	}
	return append(lines, line)
}
