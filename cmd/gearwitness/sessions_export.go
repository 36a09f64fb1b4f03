package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"gearwitness/capture/archive"
	"gearwitness/dashboards"
	"gearwitness/decode"
	"gearwitness/decode/export"
)

// exportKinds are the forms a session is handed on in, with the endings of
// names that stand for them.
var exportKinds = []struct{ name, ending, text string }{
	{"zip", ".zip", "the whole session, to be imported elsewhere"},
	{"csv", ".csv", "all samples, one a line"},
	{"parquet", ".parquet", "all samples, one a row"},
	{"wide", "", "one Parquet table for each rate, a column for each signal; FILE is the beginning of their names"},
	{"openmetrics", ".om", "for promtool tsdb create-blocks-from openmetrics"},
}

func newSessionsExport() *cobra.Command {
	var o exportOptions
	var kinds strings.Builder
	for _, k := range exportKinds {
		fmt.Fprintf(&kinds, "  %-12s %-9s %s\n", k.name, k.ending, k.text)
	}
	cmd := &cobra.Command{
		Use:   "export SESSION -o FILE",
		Short: "Hand a session on: as zip, tables, or for Prometheus",
		Long: `export writes a session in another form, told by the ending of FILE or by --as:

` + kinds.String() + `
Positions of a session to which nobody has agreed are in no table. With --redact
they, and the vehicle identification number, are left out whoever agreed; a zip is
the whole session as it was recorded.

Exit status: 0 done, 2 used wrong, 3 failed.`,
		Example: `  gearwitness sessions export 2026-11-25_10-00-00_parcel-van -o van.zip
  gearwitness sessions export 2026-11-25_10-00-00_parcel-van -o van.om --step 1s`,
		Args: argument("SESSION", "a session's folder, or its name"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.session = args[0]
			return o.run(cmd.Context(), cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	f := cmd.Flags()
	f.StringVarP(&o.output, "output", "o", "", "file to write, - for standard output")
	f.StringVar(&o.as, "as", "", "zip, csv, parquet, wide or openmetrics; by the ending of FILE if not given")
	f.DurationVar(&o.step, "step", 100*time.Millisecond, "openmetrics: smallest distance of samples of one metric")
	f.StringVar(&o.vehicle, "vehicle", "", "decode with this vehicle file instead of the session's own")
	f.BoolVar(&o.redact, "redact", false, "leave positions and the vehicle identification number out; not for zip, which is the whole session")
	archiveFlag(cmd, &o.archive)
	return cmd
}

type exportOptions struct {
	session, output, as, vehicle, archive string
	step                                  time.Duration
	redact                                bool
}

func (o *exportOptions) run(ctx context.Context, stdout, stderr io.Writer) error {
	if o.output == "" {
		return usagef("where to? give -o FILE")
	}
	if o.as == "" {
		for _, k := range exportKinds {
			if k.ending != "" && strings.HasSuffix(strings.ToLower(o.output), k.ending) {
				o.as = k.name
			}
		}
	}
	var names []string
	for _, k := range exportKinds {
		names = append(names, k.name)
	}
	if !slices.Contains(names, o.as) {
		return usagef("%s does not tell in which form to write: give --as %s", o.output, strings.Join(names, ", "))
	}
	if o.as == "openmetrics" && o.step < export.MinStep {
		return usagef("--step %s: expected %s or more, for Prometheus keeps whole milliseconds", o.step, export.MinStep)
	}
	if o.as == "wide" && o.output == "-" {
		return usagef("wide tables are several files and cannot go to standard output; give -o NAME")
	}
	if o.as == "zip" && o.redact {
		return usagef("--redact: a zip is the whole session with its digests, and nothing can be left out of it; export a table, or the report, instead")
	}
	folder, err := findSession(o.archive, o.session)
	if err != nil {
		return err
	}
	show := newProgress(stderr)
	defer show.done()
	switch o.as {
	case "wide":
		return o.wide(ctx, folder, show, stderr)
	case "zip":
		return o.file(o.output, stdout, show, stderr, func(w io.Writer) error { return archive.Export(ctx, folder, w, show.bytes("exporting")) })
	}
	return o.file(o.output, stdout, show, stderr, func(w io.Writer) error {
		spool, done, err := newSpool(o.as == "openmetrics", filepath.Dir(o.output))
		if err != nil {
			return err
		}
		defer done()
		return writeSamples(ctx, folder, o.vehicle, o.redact, "exporting", show, func(t *decode.Table) (export.Writer, error) {
			switch o.as {
			case "csv":
				return decode.NewSampleWriter(w, t), nil
			case "parquet":
				return export.NewSamples(w, t), nil
			}
			return export.NewOpenMetrics(w, spool, t, o.step)
		})
	})
}

// newSpool makes a temporary file beside the output, where there is room for
// about as much again.
func newSpool(needed bool, beside string) (*os.File, func(), error) {
	if !needed {
		return nil, func() {}, nil
	}
	f, err := os.CreateTemp(beside, ".gearwitness-*.part")
	if err != nil {
		return nil, nil, fmt.Errorf("a temporary file in %s: %w", beside, plainFileError(err))
	}
	return f, func() {
		f.Close()
		os.Remove(f.Name())
	}, nil
}

// file writes one output, which appears only when it is whole.
func (o *exportOptions) file(name string, stdout io.Writer, show *progress, stderr io.Writer, write func(io.Writer) error) error {
	out, err := createOutput(name, stdout)
	if err != nil {
		return err
	}
	defer out.discard()
	if err := write(out); err != nil {
		return err
	}
	if err := out.commit(); err != nil {
		return err
	}
	show.done()
	if name != "-" {
		what := ""
		if o.redact {
			what = ", positions and identification number left out"
		}
		fmt.Fprintf(stderr, "Written: %s%s\n", name, what)
	}
	return nil
}

func (o *exportOptions) wide(ctx context.Context, folder string, show *progress, stderr io.Writer) error {
	w, err := newWalk(folder, o.vehicle, o.redact, show)
	if err != nil {
		return err
	}
	groups, err := export.Groups(w.file, w.chain.Table())
	if err != nil {
		return err
	}
	base := strings.TrimSuffix(o.output, ".parquet")
	for _, g := range groups {
		name := base + "-" + g.Name() + ".parquet"
		err := o.file(name, nil, show, stderr, func(out io.Writer) error {
			return writeSamples(ctx, folder, o.vehicle, o.redact, "exporting "+name, show, func(t *decode.Table) (export.Writer, error) {
				return export.NewWide(out, t, g)
			})
		})
		if err != nil {
			return err
		}
	}
	return nil
}

func newSessionsImport() *cobra.Command {
	var root, keys string
	var unsealed bool
	cmd := &cobra.Command{
		Use:   "import FILE",
		Short: "Take in a session that was exported as zip",
		Long: `import checks an exported session before it unpacks it and verifies it before it
counts; one that does not hold leaves nothing behind. A session that is here
already is never replaced.

Exit status: 0 done, 2 used wrong, 3 failed: nothing was taken in.`,
		Args: argument("FILE", "an exported session, a zip file"),
		RunE: func(cmd *cobra.Command, args []string) error {
			show := newProgress(cmd.ErrOrStderr())
			defer show.done()
			o := archive.ImportOptions{Unsealed: unsealed, Verify: archive.VerifyOptions{Progress: show.bytes("importing")}}
			if keys != "" {
				var err error
				if o.Verify.Keys, err = archive.KeysLoad(keys); err != nil {
					return err
				}
			}
			folder, err := archive.Import(cmd.Context(), args[0], root, o)
			if err != nil {
				if _, statErr := os.Stat(args[0]); errors.Is(statErr, os.ErrNotExist) {
					return fmt.Errorf("%s cannot be read: %w", args[0], plainFileError(statErr))
				}
				return err
			}
			show.done()
			fmt.Fprintf(cmd.OutOrStdout(), "Session: %s\n", folder)
			return nil
		},
	}
	archiveFlag(cmd, &root)
	cmd.Flags().StringVar(&keys, "keys", "", "file of public keys that are trusted, one a line")
	cmd.Flags().BoolVar(&unsealed, "unsealed", false, "take in a session that is not sealed, for whose content nothing vouches")
	return cmd
}

func newSessionsPrune() *cobra.Command {
	var root, older string
	var remove, asJSON bool
	cmd := &cobra.Command{
		Use:   "prune --older AGE",
		Short: "Remove old sessions, except protected ones",
		Long: `prune lists the sessions that began more than AGE ago (90d, 26w, 720h), and removes
them when --remove is given as well. Protected sessions, those being recorded and
those that cannot be read stay. Protect what may be disputed:
gearwitness sessions protect SESSION.

Exit status: 0 done, 2 used wrong, 3 failed.`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			age, err := parseAge(older)
			if err != nil {
				return err
			}
			list, err := archive.Prune(root, age, time.Now(), !remove)
			if err != nil {
				return err
			}
			return printPruned(cmd, list, remove, asJSON)
		},
	}
	archiveFlag(cmd, &root)
	cmd.Flags().StringVar(&older, "older", "", "age from which sessions go, such as 90d, 26w or 720h")
	cmd.Flags().BoolVar(&remove, "remove", false, "remove them; without it they are only listed")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

// parseAge reads an age in days, weeks, or as Go writes durations.
func parseAge(s string) (time.Duration, error) {
	if s == "" {
		return 0, usagef("how old? give --older AGE, such as --older 365d")
	}
	text, unit := s, time.Duration(1)
	switch {
	case strings.HasSuffix(s, "d"):
		text, unit = strings.TrimSuffix(s, "d")+"h", 24
	case strings.HasSuffix(s, "w"):
		text, unit = strings.TrimSuffix(s, "w")+"h", 7*24
	}
	d, err := time.ParseDuration(text)
	if err != nil || d <= 0 || d > 1<<62/(7*24) {
		return 0, usagef("--older %q: expected an age above 0, such as 90d, 26w or 720h", s)
	}
	return d * unit, nil
}

func printPruned(cmd *cobra.Command, list []archive.Pruned, removed, asJSON bool) error {
	type line struct {
		dashboards.SessionRow
		Removed bool   `json:"removed"` // or, without --remove, would be
		Kept    string `json:"kept,omitempty"`
	}
	lines := make([]line, 0, len(list))
	var bytes int64
	n := 0
	for _, p := range list {
		lines = append(lines, line{dashboards.RowOf(p.Listed), p.Removed, p.Kept})
		if p.Removed {
			n++
			bytes += p.Bytes
		}
	}
	if asJSON {
		return writeJSON(cmd, lines)
	}
	out := cmd.OutOrStdout()
	fate := "would go"
	if removed {
		fate = "removed"
	}
	t := newTable(out, "SESSION", "SIZE", "FATE")
	for _, l := range lines {
		what := fate
		if !l.Removed {
			what = "kept: " + l.Kept
		}
		t.row(l.Name, sizeText(l.Bytes), what)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(out, "%d sessions, %s %s.\n", n, sizeText(bytes), fate)
	if !removed && n > 0 {
		fmt.Fprintln(out, "Nothing was removed yet: add --remove.")
	}
	return nil
}

func newSessionsProtect() *cobra.Command {
	var root, reason string
	var off bool
	cmd := &cobra.Command{
		Use:   "protect SESSION",
		Short: "Keep a session from being pruned",
		Args:  argument("SESSION", "a session's folder, or its name"),
		RunE: func(cmd *cobra.Command, args []string) error {
			folder, err := findSession(root, args[0])
			if err != nil {
				return err
			}
			if off {
				if reason != "" {
					return usagef("--off takes the protection away and needs no --reason")
				}
				return archive.Unprotect(folder)
			}
			return archive.Protect(folder, reason)
		},
	}
	archiveFlag(cmd, &root)
	cmd.Flags().StringVar(&reason, "reason", "", "why, such as the number of a dispute")
	cmd.Flags().BoolVar(&off, "off", false, "take the protection away")
	return cmd
}
