package main

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"gearwitness/decode/geartrain"
	"gearwitness/signals"
	"gearwitness/signals/diag"
	"gearwitness/signals/layout"
	"gearwitness/signals/unit"
)

func newCheck() *cobra.Command {
	var o checkOptions
	cmd := &cobra.Command{
		Use:   "check FILE",
		Short: "Check a vehicle file and say everything that is wrong with it",
		Long: `check reads a vehicle file as drive would and names every mistake at once: where,
what was expected, what was found, and the nearest valid spelling. Then come
warnings (what is probably not meant) and the bus load its periods add up to.
FILE can be the name of something built in (see --list), such as van. --json gives
each finding as data: place, problem, expected, found, suggestion, help.

With --gears it prints, for every gear of the element table, the ratio, and the
torque share and slip of each element at 1,000 rpm input; a row that ties up or
stays in neutral is named with the elements to blame. Then what the speed sensors
can tell apart, and how far each slip may be off by their steps and periods. Of a
file with plain ratios it prints these with their steps and their spread.

With --procedures it prints what can be begun with --procedure and what is read on
the bench: cautions, needs, steps, limits.

With --against it reads a capture file, a session folder or any source and says
which frames, pages and instruments of FILE never came, which signals left their
range, never moved or were never available, how the periods compare, and what
came that FILE does not describe: which bits change, what they look like, and
text to paste. --with SIGNAL adds what else moves with a signal that is known.
An adapter is listened to until Ctrl-C.

Exit status: 0 sound, 1 found wrong, 2 used wrong, 3 failed.`,
		Example: `  gearwitness check van.yaml
  gearwitness check van.yaml --layout
  gearwitness check van.yaml --gears
  gearwitness check van.yaml --procedures
  gearwitness check van.yaml --against drive.pcapng --with engine_speed
  gearwitness check van.yaml --against 'van:?for=5m' --json
  gearwitness check --schema > vehicle-file.schema.json`,
		RunE: func(cmd *cobra.Command, args []string) error {
			return o.run(cmd, args)
		},
	}
	f := cmd.Flags()
	f.BoolVar(&o.gears, "gears", false, "print ratio, torque shares and slips of every gear")
	f.BoolVar(&o.layout, "layout", false, "draw the bits of every frame")
	f.BoolVar(&o.list, "list", false, "list what is built in: libraries for use: and whole vehicle files")
	f.BoolVar(&o.procedures, "procedures", false, "print the procedures and the bench sheet")
	f.BoolVar(&o.schema, "schema", false, "print the JSON Schema of vehicle files, for editors")
	f.BoolVar(&o.json, "json", false, "print JSON")
	f.StringVar(&o.against, "against", "", "hold FILE against this capture file, session folder or source")
	f.StringVar(&o.with, "with", "", "with --against: find what else moves with this signal")
	return cmd
}

type checkOptions struct {
	gears, layout, list, procedures, schema, json bool
	against, with                                 string
}

func (o *checkOptions) run(cmd *cobra.Command, args []string) error {
	out := cmd.OutOrStdout()
	var asked []string
	for _, name := range []string{"against", "gears", "layout", "list", "procedures", "schema"} {
		if cmd.Flags().Changed(name) {
			asked = append(asked, "--"+name)
		}
	}
	if len(asked) > 1 {
		return usagef("check does one thing at a time, found %s", strings.Join(asked, " and "))
	}
	if o.with != "" && o.against == "" {
		return usagef("check --with %s needs a recording: give --against CAPTURE", o.with)
	}
	if o.list || o.schema {
		if len(args) > 0 {
			return usagef("check --list and --schema take no FILE, found %q", args[0])
		}
		if o.schema {
			_, err := out.Write(signals.Schema())
			return err
		}
		return o.printList(cmd)
	}
	if err := argument("FILE", "the vehicle file")(cmd, args); err != nil {
		return err
	}
	file, findings, err := checkVehicle(args[0])
	if err != nil {
		return err
	}
	switch {
	case findings.Errors() > 0:
	case o.against != "":
		return o.runAgainst(cmd, args[0], file)
	case o.gears:
		return o.printGears(cmd, args[0], file)
	case o.layout:
		if o.json {
			return usagef("check --layout draws text; for a program, the vehicle file itself says it all")
		}
		_, err := io.WriteString(out, layout.File(file))
		return err
	case o.procedures:
		if o.json {
			return usagef("check --procedures prints text; for a program, the vehicle file itself says it all")
		}
		return printProcedures(out, args[0], file)
	}
	if o.json {
		err = writeJSON(cmd, append(diag.List{}, findings...)) // [] where nothing is to be said
	} else {
		printFindings(out, args[0], file, findings)
	}
	if err == nil && findings.Errors() > 0 {
		return wrongError{}
	}
	return err
}

// checkVehicle reads a vehicle file and says all there is to say about it:
// mistakes, or where there are none, advice.
func checkVehicle(path string) (*signals.File, diag.List, error) {
	if path == vanName {
		f, err := demoVehicle()
		return f, nil, err
	}
	if libraries := signals.Libraries(); slices.Contains(libraries, path) {
		text, err := signals.Builtin(path)
		if err != nil {
			return nil, nil, err
		}
		file, findings := signals.Parse(path, text, nil)
		return file, findings, nil
	}
	file, findings, err := signals.Check(path)
	err = orBuiltin(err, path, signals.Libraries()...)
	if file != nil {
		findings = append(findings, file.Advice()...)
		findings.Sort()
	}
	return file, findings, err
}

func printFindings(out io.Writer, name string, file *signals.File, findings diag.List) {
	if len(findings) > 0 {
		fmt.Fprintln(out, findings.Excerpts(readSource))
	}
	if file == nil {
		fmt.Fprintf(out, "%s cannot be used: %s.\n", name, counted(findings.Errors(), "mistake"))
		return
	}
	if file.Silent() {
		fmt.Fprintf(out, "%s has no mistakes, but nothing can be received by it.\n", name)
		return
	}
	fmt.Fprintf(out, "%s is sound: %s.\n", name, contents(file))
	for _, l := range file.Loads() {
		if l.High == 0 {
			continue
		}
		text := fmt.Sprintf("Bus %s: its frames take %s of it", l.Bus, l.Share())
		if l.Uncounted > 0 {
			text += fmt.Sprintf(", not counting %s without a period or of a kind whose length varies", counted(l.Uncounted, "frame"))
		}
		fmt.Fprintln(out, text+".")
	}
}

func (o *checkOptions) printGears(cmd *cobra.Command, name string, file *signals.File) error {
	t := file.Transmission
	if t == nil || t.Train == nil && len(t.Ratios) == 0 {
		return wrongError{name + " describes no gears; --gears needs transmission: with ratios, or with train, elements and gears"}
	}
	if t.Train == nil {
		ratios := geartrain.NewRatios(t)
		if o.json {
			return writeJSON(cmd, ratios)
		}
		return ratios.WriteText(cmd.OutOrStdout())
	}
	report, err := geartrain.NewReport(file.Transmission)
	if err == nil {
		err = report.AddUncertainty(file)
	}
	if err != nil {
		return wrongError{name + ": " + err.Error()}
	}
	if o.json {
		err = writeJSON(cmd, report)
	} else {
		err = report.WriteText(cmd.OutOrStdout())
	}
	if err == nil && len(report.Faults) > 0 {
		return wrongError{}
	}
	return err
}

// builtin is one line of --list.
type builtin struct {
	Name string `json:"name"`
	Kind string `json:"kind"` // library, vehicle or table
	Text string `json:"contents"`
}

func (o *checkOptions) printList(cmd *cobra.Command) error {
	var all []builtin
	for _, name := range signals.Libraries() {
		text, err := signals.Builtin(name)
		if err != nil {
			return err
		}
		f, list := signals.Parse(name, text, nil)
		if err := list.Err(); err != nil {
			return err
		}
		kind := "library"
		if name == vanName {
			kind = "vehicle"
		}
		all = append(all, builtin{name, kind, contents(f)})
	}
	var symbols []string
	for _, u := range unit.Table() {
		symbols = append(symbols, string(u.Symbol))
	}
	all = append(all, builtin{"units", "table", strings.Join(symbols, " ")})
	if o.json {
		return writeJSON(cmd, all)
	}
	w := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 0, 2, ' ', 0)
	for _, b := range all {
		fmt.Fprintf(w, "%s\t%s\t%s\n", b.Name, b.Kind, b.Text)
	}
	return w.Flush()
}

func writeJSON(cmd *cobra.Command, v any) error {
	e := json.NewEncoder(cmd.OutOrStdout())
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

// contents says in a few words what a vehicle file describes.
func contents(f *signals.File) string {
	n := 0
	for i := range f.Frames {
		n += len(f.Frames[i].V.Signals)
	}
	var parts []string
	if n > 0 {
		parts = append(parts, counted(len(f.Frames), "frame")+" with "+counted(n, "signal"))
	}
	for _, more := range []struct {
		n    int
		what string
	}{{len(f.Requests), "request"}, {len(f.Lines), "kind of line"}, {len(f.Computed), "computed signal"}, {len(f.Alarms), "alarm"}, {len(f.Procedures), "procedure"}, {len(f.Readings), "reading"}} {
		if more.n > 0 {
			parts = append(parts, counted(more.n, more.what))
		}
	}
	if t := f.Transmission; t != nil {
		parts = append(parts, counted(max(len(t.Gears), len(t.Ratios)), "gear"))
		if len(t.Elements) > 0 {
			parts = append(parts, counted(len(t.Elements), "element"))
		}
	}
	return strings.Join(parts, ", ")
}

// counted writes "1 frame", "2 frames", "3 kinds of line".
func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	if head, tail, ok := strings.Cut(what, " of "); ok {
		return fmt.Sprintf("%d %ss of %s", n, head, tail)
	}
	return fmt.Sprintf("%d %ss", n, what)
}
