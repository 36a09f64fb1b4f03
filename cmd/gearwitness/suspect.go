package main

import (
	"fmt"
	"io"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/drivetrain"
	"gearwitness/decode/pipeline"
)

func newSuspect() *cobra.Command {
	var vehicle string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "suspect INPUT",
		Short: "Rank the parts that a drive speaks against, with reasons",
		Long: `suspect decodes INPUT (a capture file, a session folder or any source) and weighs,
for every element of the gearbox, every speed sensor and every switch, what
speaks for and against it over all gears and shifts in which it carries.

The verdict is suspect, cleared or undecided, never more certain than the
evidence; where it is undecided the first reason says what drive would settle it.

Exit status: 0 done, 1 the recording is damaged, 2 used wrong, 3 failed.`,
		Example: `  gearwitness suspect sessions/2026-11-25_10-00-00_parcel-van
  gearwitness suspect 'van:?for=10m&fault=drum-brake-slips' --json`,
		Args: argument("INPUT", "a capture file, a session folder or a source"),
		RunE: func(cmd *cobra.Command, args []string) error {
			in, err := openInput(cmd.Context(), args[0], vehicle, nil, pipeline.Options{})
			if err != nil {
				return err
			}
			defer in.source.Close()
			show := newProgress(cmd.ErrOrStderr())
			ranking := []drivetrain.Suspect{}
			total, err := in.decode(cmd.Context(), show, func(out *decode.Output, _ capture.Stamp) error {
				for _, e := range out.Events {
					if s, ok := e.Fields.(drivetrain.Suspect); ok {
						ranking = append(ranking, s)
					}
				}
				return nil
			})
			show.done()
			if err != nil {
				return err
			}
			if asJSON {
				err = writeJSON(cmd, ranking)
			} else {
				err = printRanking(cmd.OutOrStdout(), ranking)
			}
			if err != nil {
				return err
			}
			return total.broken(cmd.ErrOrStderr())
		},
	}
	f := cmd.Flags()
	f.StringVar(&vehicle, "vehicle", "", "vehicle file; a session and the van bring their own")
	f.BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

func printRanking(w io.Writer, ranking []drivetrain.Suspect) error {
	if len(ranking) == 0 {
		_, err := fmt.Fprintln(w, "Nothing can be said: the vehicle file describes no gear train, or the drive is too short.")
		return err
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, s := range ranking {
		fmt.Fprintf(t, "%s\t%s\t%.0f %%\n", s.Element, s.Verdict, s.Score*100)
		for _, r := range s.Reasons {
			fmt.Fprintf(t, "  - %s\n", r)
		}
	}
	return t.Flush()
}
