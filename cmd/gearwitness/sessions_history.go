package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"

	"github.com/spf13/cobra"

	"gearwitness/dashboards"
	"gearwitness/decode/compare"
)

func newSessionsHistory() *cobra.Command {
	var root, vehicle string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "history SESSION",
		Short: "Follow the shifts of one vehicle over all its sessions",
		Long: `history finds all sessions of the archive that have the vehicle identification
number of SESSION and follows the figures of like shifts from one to the next: the
same change of gear under the same load, pedal, engine torque and oil temperature
alike. A session without that number belongs to no history, and is told; of more
than fifty the newest count.

Exit status: 0 done, 2 used wrong, 3 failed.`,
		Args: argument("SESSION", "a session's folder, or its name"),
		RunE: func(cmd *cobra.Command, args []string) error {
			folder, err := findSession(root, args[0])
			if err != nil {
				return err
			}
			show := newProgress(cmd.ErrOrStderr())
			defer show.done()
			h, err := historyOf(cmd.Context(), root, folder, vehicle, show)
			if err != nil {
				return err
			}
			show.done()
			if asJSON {
				return writeJSON(cmd, h)
			}
			return printVehicleHistory(cmd.OutOrStdout(), h)
		},
	}
	archiveFlag(cmd, &root)
	cmd.Flags().StringVar(&vehicle, "vehicle", "", "decode with this vehicle file instead of the sessions' own")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

func historyOf(ctx context.Context, root, folder, vehicle string, show *progress) (*dashboards.VehicleHistory, error) {
	h, err := dashboards.SessionsOfVehicle(root, folder, "")
	if errors.Is(err, dashboards.ErrNoVIN) {
		return nil, fmt.Errorf("%w; `gearwitness sessions correct %s --vin VIN` gives it one until it is sealed", err, filepath.Base(folder))
	}
	if err != nil {
		return nil, err
	}
	return h, h.Trace(ctx, func(ctx context.Context, folder string, tell func(string)) (compare.Past, error) {
		return shiftsOf(ctx, folder, vehicle, &progress{tell: tell})
	}, func(text string) { show.show(func() string { return text }) })
}

func printVehicleHistory(w io.Writer, h *dashboards.VehicleHistory) error {
	fmt.Fprintf(w, "Vehicle %s\n\n", h.VIN)
	if err := printHistory(w, h.History); err != nil {
		return err
	}
	if len(h.Left) > 0 {
		fmt.Fprintln(w, "\nNot counted:")
		for _, l := range h.Left {
			fmt.Fprintf(w, "  %s\n", l)
		}
	}
	return nil
}
