package main

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"runtime"
	"runtime/debug"
	"sync"

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
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "version",
		Short: "Say which program this is: version, revision, platform, digest",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			b := thisBuild()
			if asJSON {
				return writeJSON(cmd, b)
			}
			_, err := fmt.Fprintf(cmd.OutOrStdout(), "gearwitness %s (%s, %s)\nrevision  %s\nsha256    %s\n",
				b.Version, b.Go, b.Platform, cmp.Or(b.Revision, "not known"), cmp.Or(b.Program, "not known"))
			return err
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "as JSON")
	return cmd
}

// build says which program this is.
type build struct {
	Version  string `json:"version"`
	Revision string `json:"revision,omitempty"` // with "+" where the tree had been changed
	Go       string `json:"go"`
	Platform string `json:"platform"`
	Program  string `json:"program_sha256,omitempty"` // of the executable
}

var thisBuild = sync.OnceValue(func() build {
	b := build{Version: version(), Go: runtime.Version(), Platform: runtime.GOOS + "/" + runtime.GOARCH}
	if info, ok := debug.ReadBuildInfo(); ok {
		changed := ""
		for _, s := range info.Settings {
			switch {
			case s.Key == "vcs.revision":
				b.Revision = s.Value
			case s.Key == "vcs.modified" && s.Value == "true":
				changed = "+"
			}
		}
		if b.Revision != "" {
			b.Revision += changed
		}
	}
	b.Program, _ = executableDigest() // who does not know what it is proves nothing by it
	return b
})

// executableDigest is the SHA-256 of the running executable, in hex.
func executableDigest() (string, error) {
	path, err := os.Executable()
	if err != nil {
		return "", err
	}
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
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
