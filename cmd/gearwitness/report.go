package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/hiddeco/sshsig"
	"github.com/spf13/cobra"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	reports "gearwitness/dashboards/report" // report says errors here
	"gearwitness/decode"
	"gearwitness/decode/pipeline"
	"gearwitness/decode/readings"
	"gearwitness/signals"
)

func newReport() *cobra.Command {
	var o reportOptions
	cmd := &cobra.Command{
		Use:   "report SESSION",
		Short: "Write the printable report of a session",
		Long: `report decodes a session again and writes one HTML file that prints on A4 and
Letter paper and needs neither network nor scripts: a verdict for every check
with its limit and the measured figure, shifts, temperatures, alarms, marks, what
was lost, and how to verify it all.

SESSION is a session's folder, or its name below --archive. With --redact the
vehicle identification number and positions are left out, and the report says so.

Exit status: 0 done, 2 used wrong, 3 failed.`,
		Example: `  gearwitness report 2026-11-25_10-00-00_parcel-van
  gearwitness report sessions/2026-11-25_10-00-00_parcel-van -o report.html --redact`,
		Args: argument("SESSION", "a session's folder, or its name"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.session = args[0]
			return o.run(cmd.Context(), cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	f := cmd.Flags()
	f.StringVarP(&o.output, "output", "o", "", "write to this file, - for standard output; SESSION-report.html if not given")
	f.BoolVar(&o.redact, "redact", false, "leave out the vehicle identification number and positions")
	f.StringVar(&o.vehicle, "vehicle", "", "decode with this vehicle file instead of the session's own")
	archiveFlag(cmd, &o.archive)
	return cmd
}

type reportOptions struct {
	session, output, vehicle, archive string
	redact                            bool
}

func (o *reportOptions) run(ctx context.Context, stdout, stderr io.Writer) error {
	folder, err := findSession(o.archive, o.session)
	if err != nil {
		return err
	}
	if o.output == "" {
		o.output = filepath.Base(folder) + "-report.html"
	}
	show := newProgress(stderr)
	defer show.done()
	r, err := reportOf(ctx, folder, o.vehicle, o.redact, show)
	if err != nil {
		return err
	}
	out, err := createOutput(o.output, stdout)
	if err != nil {
		return err
	}
	defer out.discard()
	if err := r.Write(out); err != nil {
		return fmt.Errorf("%s cannot be written: %w", o.output, plainFileError(err))
	}
	if err := out.commit(); err != nil {
		return err
	}
	show.done()
	if o.output != "-" {
		fmt.Fprintf(stderr, "Report: %s\n", o.output)
	}
	return nil
}

// reportOf makes the report of a session as it stands.
func reportOf(ctx context.Context, folder, vehicle string, redact bool, show *progress) (*reports.Report, error) {
	g, err := makeReport(ctx, folder, vehicle, redact, show)
	if err != nil {
		return nil, err
	}
	papers, err := papersOf(folder, show)
	if err != nil {
		return nil, err
	}
	papers.Name, papers.Redact = filepath.Base(folder), redact
	if papers.Seal, err = sealOf(folder); err != nil {
		return nil, err
	}
	return g.finish(papers), nil
}

// archiveFlag adds the flag that says where sessions are.
func archiveFlag(cmd *cobra.Command, to *string) {
	cmd.Flags().StringVar(to, "archive", defaultArchive(), "folder that sessions are kept in")
}

// findSession returns the folder of a session given by path or by name.
func findSession(root, name string) (string, error) {
	if isSession(name) {
		return filepath.Clean(name), nil
	}
	if path := filepath.Join(root, name); name == filepath.Base(name) && isSession(path) {
		return path, nil
	}
	return "", fmt.Errorf("there is no session %s, neither as a folder nor in %s; `gearwitness sessions list` shows what there is", name, root)
}

// walk decodes a session from its raw frames and hands every step to take. The
// vehicle file is the session's own unless another is named.
type walk struct {
	folder string
	reader *archive.Reader
	file   *signals.File
	chain  *pipeline.Pipeline
	redact bool // leave positions out, whoever agreed to them
	show   *progress
}

func newWalk(folder, vehicle string, redact bool, show *progress) (*walk, error) {
	reader, err := archive.Open(folder)
	if err != nil {
		return nil, err
	}
	w := &walk{folder: folder, reader: reader, redact: redact, show: show}
	if vehicle != "" {
		w.file, err = loadVehicle(vehicle)
	} else {
		w.file, err = sessionVehicle(folder)
	}
	if err != nil {
		return nil, err
	}
	if w.chain, err = pipeline.New(w.file, pipeline.Options{}); err != nil {
		return nil, err
	}
	_, err = injectMarks(w.chain, folder) // what it cannot read, papersOf tells
	return w, err
}

// run decodes everything once; words say what for.
func (w *walk) run(ctx context.Context, words string, take func(*decode.Output, capture.Stamp) error) (damage []string, err error) {
	frames := sessionFrames(w.reader, w.redact)
	defer frames.Close()
	_, err = decodeAll(ctx, frames, w.chain, take, func(t tally) {
		w.show.show(func() string {
			return fmt.Sprintf("%s: %s of driving, %s frames", words, t.span().Round(time.Second), grouped(t.frames))
		})
	})
	for _, d := range frames.Damage() {
		damage = append(damage, d.Error())
	}
	return damage, err
}

// gathered is a session decoded for its report.
type gathered struct {
	walk    *walk
	builder *reports.Builder
	damage  []string
}

func makeReport(ctx context.Context, folder, vehicle string, redact bool, show *progress) (*gathered, error) {
	w, err := newWalk(folder, vehicle, redact, show)
	if err != nil {
		return nil, err
	}
	g := &gathered{walk: w}
	if g.builder, err = reports.NewBuilder(w.file, w.chain.Table()); err != nil {
		return nil, err
	}
	g.damage, err = w.run(ctx, "decoding", func(out *decode.Output, _ capture.Stamp) error {
		g.builder.Take(out)
		return nil
	})
	return g, err
}

// finish judges; it can be called once.
func (g *gathered) finish(p reports.Papers) *reports.Report {
	p.Damage, p.Vehicle = g.damage, g.walk.file.Vehicle.Title
	return g.builder.Finish(g.walk.chain.Counters(), p)
}

// papersOf gathers what a report says about a session beside what was measured,
// the name of its folder and its seal left out.
func papersOf(folder string, show *progress) (reports.Papers, error) {
	r, err := archive.Open(folder)
	if err != nil {
		return reports.Papers{}, err
	}
	p := reports.Papers{Meta: r.Meta(), Software: "gearwitness " + version()}
	for e, err := range r.Journal() {
		if err != nil {
			p.Journal = append(p.Journal, archive.Entry{Time: e.Time, Kind: "journal", Fields: []byte(`{"text":"a line that cannot be read"}`)})
			continue
		}
		if len(p.Journal) < maxJournal || e.Kind == readings.Kind {
			p.Journal = append(p.Journal, e)
		}
	}
	for _, name := range append(r.Files(), "data/vehicle.yaml", "data/journal.jsonl") {
		show.show(func() string { return "taking the digest of " + name })
		n, digest, err := fileDigest(r.Path(name))
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err != nil {
			return p, fmt.Errorf("%s cannot be read: %w", r.Path(name), plainFileError(err))
		}
		p.Files = append(p.Files, reports.File{Name: name, Bytes: n, SHA256: digest})
	}
	return p, nil
}

// maxJournal bounds the entries held for a report; it shows fewer.
const maxJournal = 10_000

func fileDigest(path string) (int64, string, error) {
	f, err := os.Open(path)
	if err != nil {
		return 0, "", err
	}
	defer f.Close()
	h := sha256.New()
	n, err := io.Copy(h, f)
	return n, hex.EncodeToString(h.Sum(nil)), err
}

// sealOf returns the seal of a session, nil where it has none. It does not
// verify it.
func sealOf(folder string) (*reports.Seal, error) {
	r, err := archive.Open(folder)
	if err != nil || !r.Sealed() {
		return nil, err
	}
	tags, err := archive.TagManifest(folder)
	if err != nil {
		return nil, err
	}
	digest := sha256.Sum256(tags)
	seal := &reports.Seal{Digest: hex.EncodeToString(digest[:])}
	armored, err := os.ReadFile(r.Path("tagmanifest-sha256.txt.sig"))
	if errors.Is(err, os.ErrNotExist) {
		return seal, nil
	}
	if err != nil {
		return nil, fmt.Errorf("signature of %s: %w", folder, plainFileError(err))
	}
	sig, err := sshsig.Unarmor(armored)
	if err != nil {
		return nil, fmt.Errorf("signature of %s cannot be read; `gearwitness sessions verify` says more: %w", folder, err)
	}
	seal.Signer = archive.Fingerprint(sig.PublicKey)
	return seal, nil
}
