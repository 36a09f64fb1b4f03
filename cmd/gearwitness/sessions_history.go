package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"gearwitness/capture/archive"
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
alike. A session without that number belongs to no history, and is told.

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
			return h.print(cmd.OutOrStdout())
		},
	}
	archiveFlag(cmd, &root)
	cmd.Flags().StringVar(&vehicle, "vehicle", "", "decode with this vehicle file instead of the sessions' own")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

// vehicleHistory is what one vehicle's sessions say together.
type vehicleHistory struct {
	VIN  string   `json:"vin"`
	Left []string `json:"left"` // sessions that do not count, and why
	*compare.History
}

func historyOf(ctx context.Context, root, folder, vehicle string, show *progress) (*vehicleHistory, error) {
	r, err := archive.Open(folder)
	if err != nil {
		return nil, err
	}
	h := &vehicleHistory{VIN: r.Meta().VIN, Left: []string{}}
	if h.VIN == "" {
		return nil, fmt.Errorf("%s has no vehicle identification number, so that it is not known which others are of the same vehicle; `gearwitness sessions correct %s --vin VIN` gives it one until it is sealed", filepath.Base(folder), filepath.Base(folder))
	}
	list, err := archive.List(root)
	if err != nil {
		return nil, err
	}
	var past []compare.Past
	take := func(folder string) error {
		p, err := shiftsOf(ctx, folder, vehicle, show)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			h.Left = append(h.Left, filepath.Base(folder)+": "+err.Error())
			return nil
		}
		past = append(past, p)
		return nil
	}
	own, err := filepath.Abs(folder)
	if err != nil {
		return nil, err
	}
	if err := take(folder); err != nil {
		return nil, err
	}
	for _, l := range list {
		if at, err := filepath.Abs(l.Dir); err != nil || at == own {
			continue
		}
		switch {
		case l.Err != nil:
			h.Left = append(h.Left, l.Name+": "+l.Err.Error())
		case l.Meta.VIN == "":
			h.Left = append(h.Left, l.Name+": no vehicle identification number")
		case strings.EqualFold(strings.TrimSpace(l.Meta.VIN), strings.TrimSpace(h.VIN)):
			if err := take(l.Dir); err != nil {
				return nil, err
			}
		}
	}
	h.History = compare.Trace(past)
	return h, nil
}

func (h *vehicleHistory) print(w io.Writer) error {
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
