package main

import (
	"encoding/json"
	"fmt"

	"github.com/spf13/cobra"

	"gearwitness/decode/geartrain"
	"gearwitness/signals"
	"gearwitness/signals/diag"
)

func newCheck() *cobra.Command {
	var gears, asJSON bool
	cmd := &cobra.Command{
		Use:   "check FILE",
		Short: "Check a vehicle file and say everything that is wrong with it",
		Long: `check reads a vehicle file as drive would and names every mistake at once: where,
what was expected, what was found, and the nearest valid spelling.

With --gears it prints, for every gear of the element table, the ratio, and the
torque share and slip of each element at 1,000 rpm input; a row that ties up or
stays in neutral is named with the elements to blame.

Exit status: 0 sound, 1 found wrong, 2 used wrong, 3 failed.`,
		Args: argument("FILE", "the vehicle file"),
		RunE: func(cmd *cobra.Command, args []string) error {
			out := cmd.OutOrStdout()
			file, findings, err := signals.Check(args[0])
			if err != nil {
				return err
			}
			if gears && file != nil {
				if file.Transmission == nil || file.Transmission.Train == nil {
					return wrongError{args[0] + " describes no gear train; --gears needs transmission: train, elements and gears"}
				}
				report, err := geartrain.NewReport(file.Transmission)
				if err != nil {
					return err
				}
				if asJSON {
					err = writeJSON(cmd, report)
				} else {
					err = report.WriteText(out)
				}
				if err == nil && len(report.Faults) > 0 {
					err = wrongError{}
				}
				return err
			}
			if asJSON {
				if err := writeJSON(cmd, jsonFindings(findings)); err != nil {
					return err
				}
			} else if len(findings) > 0 {
				fmt.Fprintln(out, findings.Excerpts(readSource))
			} else {
				fmt.Fprintf(out, "%s is sound: %s.\n", args[0], contents(file))
			}
			if findings.Errors() > 0 {
				return wrongError{}
			}
			return nil
		},
	}
	f := cmd.Flags()
	f.BoolVar(&gears, "gears", false, "print ratio, torque shares and slips of every gear")
	f.BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

func writeJSON(cmd *cobra.Command, v any) error {
	e := json.NewEncoder(cmd.OutOrStdout())
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

// finding is a diag.Finding as --json prints it.
type finding struct {
	Severity string `json:"severity"` // error or warning
	File     string `json:"file"`
	Line     int    `json:"line"`   // from 1
	Column   int    `json:"column"` // from 1, in code points
	Length   int    `json:"length"`
	Text     string `json:"text"`
}

func jsonFindings(list diag.List) []finding {
	all := make([]finding, 0, len(list))
	for _, f := range list {
		severity := "error"
		if f.Severity == diag.Warning {
			severity = "warning"
		}
		all = append(all, finding{severity, f.Pos.File, f.Pos.Line, f.Pos.Column, f.Length, f.Text})
	}
	return all
}

// contents says in a few words what a vehicle file describes.
func contents(f *signals.File) string {
	n := 0
	for i := range f.Frames {
		n += len(f.Frames[i].V.Signals)
	}
	text := fmt.Sprintf("%d frames with %d signals, %d computed", len(f.Frames), n, len(f.Computed))
	if t := f.Transmission; t != nil {
		text += fmt.Sprintf(", %d gears, %d elements", max(len(t.Gears), len(t.Ratios)), len(t.Elements))
	}
	return text
}
