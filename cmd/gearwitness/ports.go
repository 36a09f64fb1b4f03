package main

import (
	"fmt"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"gearwitness/capture/port"
)

func newPorts() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "ports",
		Short: "List the serial ports of this computer",
		Long: `ports lists the serial ports that an adapter or instrument may be behind.

Exit status: 0 done, 2 used wrong, 3 failed.`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			list, err := port.List()
			if err != nil {
				return fmt.Errorf("the serial ports cannot be listed: %w", err)
			}
			if asJSON {
				return writeJSON(cmd, append([]port.Info{}, list...)) // none is [], not null
			}
			if len(list) == 0 {
				fmt.Fprintln(cmd.OutOrStdout(), "No serial ports. Plug the adapter in; if it stays unseen, its driver is missing.")
				return nil
			}
			w := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 0, 2, ' ', 0)
			for _, p := range list {
				if p.Description == "" {
					fmt.Fprintln(w, p.Device)
				} else {
					fmt.Fprintf(w, "%s\t%s\n", p.Device, p.Description)
				}
			}
			return w.Flush()
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print a JSON list")
	return cmd
}
