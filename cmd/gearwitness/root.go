package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"

	"gearwitness/signals/diag"
)

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:   "gearwitness",
		Short: "Shows and proves what an automatic gearbox did on the road",
		Long: `gearwitness reads frames from a CAN adapter, decodes them through a vehicle file
that you write, works out gear, slip, shifts and oil temperatures, shows them in
a browser while somebody else drives, and keeps the session as evidence.

  gearwitness demo                                     a virtual parcel van, nothing to plug in
  gearwitness drive --vehicle van.yaml --from slcan:/dev/ttyUSB0?bitrate=500k
  gearwitness decode SESSION --events events.jsonl

Every flag but --allow-requests and --procedure can also be set as
GEARWITNESS_FLAG_NAME in the environment or as flag-name in the file given with
--config (YAML, TOML or JSON). Lists are separated by spaces in the environment.

Exit status: 0 done, 1 found wrong, 2 used wrong, 3 failed.`,
		SilenceErrors: true,
		SilenceUsage:  true,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return nil
			}
			var names []string
			for _, c := range cmd.Commands() {
				names = append(names, c.Name())
			}
			return usagef("unknown command %q%s", args[0], diag.Suggest(args[0], names))
		},
		RunE: func(cmd *cobra.Command, _ []string) error {
			return cmd.Help()
		},
	}
	root.CompletionOptions.HiddenDefaultCmd = true
	root.PersistentFlags().String("config", "", "read settings from this file")
	root.AddCommand(newDemo(), newDrive(), newPorts(), newCheck(), newDecode(), newSuspect(), newReport(), newSessions(), newKey(), newVersion())
	return root
}

func newVersion() *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "Print the version of this program",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			_, err := fmt.Fprintf(cmd.OutOrStdout(), "gearwitness %s (%s, %s/%s)\n", version(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return err
		},
	}
}

// version is the module's version, or the commit it was built from.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	if v := info.Main.Version; v != "" && v != "(devel)" {
		return v
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && len(s.Value) >= 12 {
			return "development " + s.Value[:12]
		}
	}
	return "development"
}
