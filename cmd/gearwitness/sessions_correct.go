package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"gearwitness/capture/archive"
)

func newSessionsCorrect() *cobra.Command {
	var root string
	var to archive.Meta
	cmd := &cobra.Command{
		Use:   "correct SESSION --FIELD TEXT...",
		Short: "Correct what is said of a session that has ended",
		Long: `correct changes title, technician, vehicle number and the like of a session that
has ended and is not sealed. The journal keeps what stood there before; the
recording itself is not touched. An empty TEXT takes the detail away.

Exit status: 0 done, 2 used wrong, 3 failed, as where the session is sealed.`,
		Example: `  gearwitness sessions correct 2026-11-25_10-00-00_parcel-van --odometer '84210 km' --concern 'flares hot'`,
		Args:    argument("SESSION", "a session's folder, or its name"),
	}
	f := cmd.Flags()
	fields := []struct {
		flag, text string
		value      func(*archive.Meta) *string
	}{
		{"title", "what the session is, in a few words", func(m *archive.Meta) *string { return &m.Title }},
		{"workshop", "the workshop", func(m *archive.Meta) *string { return &m.Workshop }},
		{"technician", "who drives and watches", func(m *archive.Meta) *string { return &m.Technician }},
		{"job", "job or order number", func(m *archive.Meta) *string { return &m.Job }},
		{"vin", "vehicle identification number; an odd one is told, never refused", func(m *archive.Meta) *string { return &m.VIN }},
		{"odometer", "odometer reading with its unit, such as '84210 km'", func(m *archive.Meta) *string { return &m.Odometer }},
		{"concern", "what the customer complains of", func(m *archive.Meta) *string { return &m.Concern }},
		{"position-consent", "who has agreed to position data being kept", func(m *archive.Meta) *string { return &m.PositionConsent }},
	}
	for _, l := range fields {
		f.StringVar(l.value(&to), l.flag, "", l.text)
	}
	archiveFlag(cmd, &root)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		folder, err := findSession(root, args[0])
		if err != nil {
			return err
		}
		n := 0
		for _, l := range fields {
			if f.Changed(l.flag) {
				n++
			}
		}
		if n == 0 {
			return usagef("what is to be corrected? give one or more of --title, --technician, --vin, --odometer, --concern, ...")
		}
		err = archive.Describe(folder, func(m *archive.Meta) {
			for _, l := range fields {
				if f.Changed(l.flag) {
					*l.value(m) = *l.value(&to)
				}
			}
		})
		if err != nil {
			return err
		}
		if f.Changed("vin") && to.VIN != "" {
			if w := archive.CheckVIN(to.VIN).Warning(); w != "" {
				fmt.Fprintf(cmd.ErrOrStderr(), "VIN %s: %s\n", to.VIN, w)
			}
		}
		return nil
	}
	return cmd
}
