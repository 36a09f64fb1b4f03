package main

import (
	"fmt"
	"net/url"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"gearwitness/decode/van"
)

func newDemo() *cobra.Command {
	var o driveOptions
	var faults []string
	var seed uint64
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Show the whole product on a virtual parcel van",
		Long: `demo drives a fictional parcel van through a virtual adapter that speaks the bytes
of a real serial one, and does with them what drive does: record, decode, show.

Faults, repeatable, each NAME[@START][=SIZE], such as --fault ` + van.Faults()[0].Name + `@2m:

` + faultTable() + `
Exit status: 0 done, 2 used wrong, 3 failed.`,
		Example: `  gearwitness demo --open
  gearwitness demo --fault ` + van.Faults()[0].Name + ` --for 5m
  gearwitness demo --allow-requests   # the van's control units answer diagnostic reads`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			q := url.Values{"seed": {fmt.Sprint(seed)}, "fault": faults}
			if _, err := van.ParseOptions(q); err != nil {
				return usageError{err}
			}
			text := "van:?seed=" + fmt.Sprint(seed)
			for _, f := range faults {
				text += "&fault=" + f
			}
			o.from = []string{text}
			file, err := demoVehicle()
			if err != nil {
				return err
			}
			return o.run(cmd.Context(), file, cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	f := cmd.Flags()
	f.StringArrayVar(&faults, "fault", nil, "switch a fault on; repeatable")
	f.Uint64Var(&seed, "seed", 1, "fixes every random figure of the van")
	o.common(f)
	return cmd
}

// faultTable lists what can be wrong with the van.
func faultTable() string {
	var b strings.Builder
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	for _, f := range van.Faults() {
		size := ""
		if f.Unit != "" {
			size = fmt.Sprintf(" (size %g to %g %s, %g if not given)", f.Low, f.High, f.Unit, f.Default)
		}
		fmt.Fprintf(w, "  %s\t%s%s\n", f.Name, f.Text, size)
	}
	w.Flush()
	return b.String()
}
