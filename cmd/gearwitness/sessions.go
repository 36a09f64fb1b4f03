package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/crypto/ssh"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/dashboards"
	reports "gearwitness/dashboards/report"
	"gearwitness/decode"
	"gearwitness/decode/compare"
	"gearwitness/decode/export"
)

func newSessions() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "sessions",
		Short: "List, seal, verify, compare and hand on recorded sessions",
		Long: `sessions works on what drive and demo have recorded. SESSION is a session's
folder, or its name below --archive.

Exit status: 0 done, 1 found wrong (verify), 2 used wrong, 3 failed.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(newSessionsList(), newSessionsShow(), newSessionsCorrect(), newSessionsSeal(), newSessionsVerify(), newSessionsCompare(), newSessionsHistory(),
		newSessionsExport(), newSessionsImport(), newSessionsPrune(), newSessionsProtect(), newSessionsStamp(), newSessionsReading())
	return cmd
}

// state says what is to be known of a session in a word or two.
func stateOf(r dashboards.SessionRow) string {
	var words []string
	if r.Problem != "" {
		words = append(words, "cannot be read")
	} else if r.Ended == nil {
		words = append(words, "no end recorded")
	}
	if r.Sealed {
		words = append(words, "sealed")
	}
	if r.Protected {
		words = append(words, "protected")
	}
	return strings.Join(words, ", ")
}

func newSessionsList() *cobra.Command {
	var root string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List the sessions, oldest first",
		Args:  noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			list, err := archive.List(root)
			if err != nil {
				return err
			}
			rows := make([]dashboards.SessionRow, 0, len(list))
			for _, l := range list {
				rows = append(rows, dashboards.RowOf(l))
			}
			if asJSON {
				return writeJSON(cmd, rows)
			}
			if len(rows) == 0 {
				fmt.Fprintf(cmd.OutOrStdout(), "No sessions in %s.\n", root)
				return nil
			}
			t := newTable(cmd.OutOrStdout(), "SESSION", "LENGTH", "SIZE", "STATE")
			for _, r := range rows {
				t.row(r.Name, spanOf(r), sizeText(r.Bytes), stateOf(r))
			}
			return t.Flush()
		},
	}
	archiveFlag(cmd, &root)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

func spanOf(r dashboards.SessionRow) string {
	if r.Started == nil || r.Ended == nil {
		return ""
	}
	return r.Ended.Sub(*r.Started).Round(time.Second).String()
}

// sizeText writes bytes for people, in powers of 1000.
func sizeText(n int64) string {
	switch {
	case n < 1e3:
		return fmt.Sprintf("%d B", n)
	case n < 1e6:
		return fmt.Sprintf("%.1f kB", float64(n)/1e3)
	case n < 1e9:
		return fmt.Sprintf("%.1f MB", float64(n)/1e6)
	}
	return fmt.Sprintf("%.1f GB", float64(n)/1e9)
}

// table lines columns up.
type table struct{ *tabwriter.Writer }

func newTable(w io.Writer, heads ...string) table {
	t := table{tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)}
	t.row(heads...)
	return t
}

func (t table) row(cells ...string) { fmt.Fprintln(t, strings.Join(cells, "\t")) }

func newSessionsShow() *cobra.Command {
	var root string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "show SESSION",
		Short: "Show what a session says about itself",
		Args:  argument("SESSION", "a session's folder, or its name"),
		RunE: func(cmd *cobra.Command, args []string) error {
			folder, err := findSession(root, args[0])
			if err != nil {
				return err
			}
			facts, err := factsOf(folder)
			if err != nil {
				return err
			}
			if asJSON {
				return writeJSON(cmd, facts)
			}
			return printFacts(cmd.OutOrStdout(), facts)
		},
	}
	archiveFlag(cmd, &root)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

func factsOf(folder string) (*dashboards.SessionFacts, error) {
	r, err := archive.Open(folder)
	if err != nil {
		return nil, err
	}
	m := r.Meta()
	f := &dashboards.SessionFacts{
		SessionRow: dashboards.SessionRow{Name: filepath.Base(folder), Folder: folder, Title: m.Title, Vehicle: m.Vehicle, Started: dashboards.When(m.Started), Ended: dashboards.When(m.Ended), Bytes: r.Bytes(), Sealed: r.Sealed()},
		Workshop:   m.Workshop, Technician: m.Technician, Job: m.Job, VIN: m.VIN, Odometer: m.Odometer, Concern: m.Concern,
		Consent: m.PositionConsent, Software: m.Software, Captures: r.Files(), Marks: []dashboards.SessionMark{},
	}
	if list, err := archive.List(filepath.Dir(folder)); err == nil {
		for _, l := range list {
			if l.Name == f.Name {
				f.Bytes, f.Protected = l.Bytes, l.Protected
			}
		}
	}
	if m.VIN != "" {
		f.VINRemark = archive.CheckVIN(m.VIN).Warning()
	}
	seal, err := sealOf(folder)
	if err != nil {
		return nil, err
	}
	if seal != nil {
		f.Digest, f.Signer = seal.Digest, seal.Signer
	}
	for e, err := range r.Journal() {
		if err != nil {
			continue // verify says where and why
		}
		takeEntry(f, e)
	}
	for i := range f.VINRead {
		read := &f.VINRead[i]
		read.Remark = archive.CheckVIN(read.VIN).Warning()
		read.Differs = archive.DifferentVIN(m.VIN, read.VIN)
	}
	return f, nil
}

// maxVINs bounds the numbers read from a vehicle that are shown.
const maxVINs = 16

func takeEntry(f *dashboards.SessionFacts, e archive.Entry) {
	switch e.Kind {
	case archive.KindMark:
		f.Marks = append(f.Marks, dashboards.SessionMark{Time: decode.Seconds(e.Time), Text: member(e.Fields, "text")})
	case decode.KindVIN:
		read := dashboards.SessionVIN{Unit: member(e.Fields, "unit"), VIN: member(e.Fields, "vin")}
		if len(f.VINRead) == maxVINs || read.VIN == "" || slices.Contains(f.VINRead, read) {
			return
		}
		f.VINRead = append(f.VINRead, read)
	case kindPosition:
		n, err := strconv.ParseUint(member(e.Fields, "lines"), 10, 64)
		if err == nil {
			f.PositionsLeftOut += n
		}
	case archive.KindLoss:
		n, err := strconv.ParseUint(member(e.Fields, "count"), 10, 64)
		switch {
		case err != nil: // entries of the journal itself
		case n == 0:
			f.LossesUnknown = true
		default:
			f.Losses += n
		}
	}
}

func printFacts(w io.Writer, f *dashboards.SessionFacts) error {
	t := table{tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)}
	add := func(name, text string) {
		if text != "" {
			t.row(name, text)
		}
	}
	add("Session", f.Name)
	add("Folder", f.Folder)
	add("Title", f.Title)
	add("Vehicle", f.Vehicle)
	vin := f.VIN
	if f.VINRemark != "" {
		vin += " (" + f.VINRemark + ")"
	}
	add("VIN", vin)
	for _, read := range f.VINRead {
		text := read.VIN + ", by " + read.Unit
		if read.Remark != "" {
			text += " (" + read.Remark + ")"
		}
		if read.Differs {
			text += "; it is NOT the one entered: is this the vehicle meant?"
		}
		add("VIN read", text)
	}
	add("Odometer", f.Odometer)
	add("Concern", f.Concern)
	add("Workshop", f.Workshop)
	add("Technician", f.Technician)
	add("Job", f.Job)
	position := cmp.Or(f.Consent, "nobody has agreed to position data being kept")
	if f.PositionsLeftOut > 0 {
		position += "; left out of " + grouped(f.PositionsLeftOut) + " lines"
	}
	add("Position", position)
	if f.Started != nil {
		add("Started", f.Started.Format(time.DateTime+" -07:00"))
	}
	if f.Ended != nil {
		add("Ended", f.Ended.Format(time.DateTime+" -07:00"))
	} else {
		add("Ended", "not recorded: it is being recorded, or was cut off")
	}
	add("Size", fmt.Sprintf("%s, %d capture files", sizeText(f.Bytes), len(f.Captures)))
	add("Software", f.Software)
	switch {
	case f.Digest == "":
		add("Seal", "none")
	case f.Signer == "":
		add("Seal", "SHA-256 "+f.Digest+", unsigned")
	default:
		add("Seal", "SHA-256 "+f.Digest)
		add("Signed", "with key "+f.Signer)
	}
	if f.Protected {
		add("Protected", "yes, prune keeps it")
	}
	switch {
	case f.Losses > 0 && f.LossesUnknown:
		add("Lost", grouped(f.Losses)+" frames or lines, and more: it is not known how many")
	case f.Losses > 0:
		add("Lost", grouped(f.Losses)+" frames or lines")
	case f.LossesUnknown:
		add("Lost", "frames or lines, it is not known how many")
	}
	for _, m := range f.Marks {
		add("Mark", fmt.Sprintf("%s s  %s", decode.AppendSeconds(nil, int64(m.Time)), m.Text))
	}
	return t.Flush()
}

func newSessionsSeal() *cobra.Command {
	var root, key string
	var unsigned bool
	cmd := &cobra.Command{
		Use:   "seal SESSION",
		Short: "Make a session permanent: tables, report, digests, signature",
		Long: `seal decodes the session once more, writes the tables of all samples, the shifts
and the report into it, then the digests of every file, signs them and takes the
right to write away. The recording itself is not changed. Sealing again after a
crash goes on where it must; a sealed session stays as it is.

Without --key the key that ` + "`gearwitness key new`" + ` made is used. Where there is
none nothing is sealed, unless --unsigned is given: without a signature nothing
proves who sealed, and a sealed session is not signed afterwards.

Exit status: 0 done, 2 used wrong, 3 failed.`,
		Args: argument("SESSION", "a session's folder, or its name"),
		RunE: func(cmd *cobra.Command, args []string) error {
			folder, err := findSession(root, args[0])
			if err != nil {
				return err
			}
			if unsigned && cmd.Flags().Changed("key") {
				return usagef("--key and --unsigned exclude each other; leave one out")
			}
			signer, err := signerFor(key, cmd.Flags().Changed("key"), unsigned)
			if err != nil {
				return err
			}
			return seal(cmd.Context(), folder, signer, cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	archiveFlag(cmd, &root)
	cmd.Flags().StringVar(&key, "key", defaultKey(), "private key to sign with")
	cmd.Flags().BoolVar(&unsigned, "unsigned", false, "do not sign")
	return cmd
}

// errNoKey refuses to seal for good what nobody has signed by mistake.
var errNoKey = usageError{errors.New("there is no key to sign with, and a sealed session is not signed afterwards: `gearwitness key new` makes one; --unsigned seals without a signature")}

// signerFor loads the key to sign with; nil means unsigned, which must be asked for.
func signerFor(path string, asked, unsigned bool) (ssh.Signer, error) {
	if unsigned {
		return nil, nil
	}
	s, err := archive.KeyLoad(path, nil)
	if errors.Is(err, os.ErrNotExist) && !asked {
		return nil, errNoKey
	}
	return s, err
}

func seal(ctx context.Context, folder string, signer ssh.Signer, stdout, stderr io.Writer) error {
	show := newProgress(stderr)
	defer show.done()
	done, err := sealFolder(ctx, folder, signer, show)
	if err != nil {
		return err
	}
	show.done()
	if done.Already {
		fmt.Fprintln(stdout, "The session was sealed before; nothing was changed.")
	} else {
		fmt.Fprintf(stdout, "Sealed %d files, %s.\n", done.Files, sizeText(done.Bytes))
	}
	for _, d := range done.Damage {
		fmt.Fprintf(stdout, "Sealed as found: %s\n", d)
	}
	fmt.Fprintf(stdout, "SHA-256: %s\n", done.Digest)
	if done.Signer != "" {
		fmt.Fprintf(stdout, "Signed:  with key %s\n", done.Signer)
	} else {
		fmt.Fprintln(stdout, "The session is NOT SIGNED: nothing proves who sealed it. `gearwitness key new` makes a key; a sealed session is not signed afterwards.")
	}
	return nil
}

func sealFolder(ctx context.Context, folder string, signer ssh.Signer, show *progress) (archive.Sealed, error) {
	o := archive.SealOptions{Signer: signer, Software: software(), Program: thisBuild().Program, Progress: show.bytes("sealing")}
	r, err := archive.Open(folder)
	if err != nil {
		return archive.Sealed{}, err
	}
	if !r.Sealed() { // else nothing is written again
		if o.Artefacts, err = artefacts(ctx, folder, show); err != nil {
			return archive.Sealed{}, err
		}
	}
	return archive.Seal(ctx, folder, o)
}

// artefacts are the files that sealing adds, each made from the raw frames alone
// so that verify can make it again: the tables, and in one more pass the shifts
// and the report.
func artefacts(ctx context.Context, folder string, show *progress) ([]archive.Artefact, error) {
	w, err := newWalk(folder, "", false, show)
	if err != nil {
		return nil, err
	}
	groups, err := export.Groups(w.file, w.chain.Table())
	if err != nil {
		return nil, err
	}
	table := func(name string, write func(io.Writer, *decode.Table) (export.Writer, error), check func(io.ReaderAt, int64, *decode.Table) (export.Writer, error)) archive.Artefact {
		return archive.Artefact{Name: name,
			Write: func(out io.Writer) error {
				return writeSamples(ctx, folder, "", false, "computing "+name, show, func(t *decode.Table) (export.Writer, error) { return write(out, t) })
			},
			Check: func(sealed io.ReaderAt, size int64) (string, error) {
				err := writeSamples(ctx, folder, "", false, "comparing "+name, show, func(t *decode.Table) (export.Writer, error) { return check(sealed, size, t) })
				var different *export.Different
				if errors.As(err, &different) {
					return different.Error(), nil
				}
				return "", err
			}}
	}
	list := []archive.Artefact{table("signals.parquet",
		func(out io.Writer, t *decode.Table) (export.Writer, error) { return export.NewSamples(out, t), nil },
		func(sealed io.ReaderAt, size int64, t *decode.Table) (export.Writer, error) {
			return export.CheckSamples(sealed, size, t)
		})}
	for _, g := range groups {
		list = append(list, table("signals-"+g.Name()+".parquet",
			func(out io.Writer, t *decode.Table) (export.Writer, error) { return export.NewWide(out, t, g) },
			func(sealed io.ReaderAt, size int64, t *decode.Table) (export.Writer, error) {
				return export.CheckWide(sealed, size, t, g)
			}))
	}
	// One pass for both, the first time either is asked for.
	account := onceFor(func() (*reports.Report, error) {
		g, err := makeReport(ctx, folder, "", false, show)
		if err != nil {
			return nil, err
		}
		papers, err := papersOf(folder, show)
		if err != nil {
			return nil, err
		}
		return g.finish(papers), nil
	})
	return append(list,
		archive.Artefact{Name: "shifts.json", Write: func(out io.Writer) error {
			r, err := account()
			if err != nil {
				return err
			}
			return r.Record().WriteJSON(out)
		}},
		archive.Artefact{Name: "report.html", Write: func(out io.Writer) error {
			r, err := account()
			if err != nil {
				return err
			}
			return r.Write(out)
		}}), nil
}

// software is what sessions and reports say made them.
func software() string {
	b := thisBuild()
	return fmt.Sprintf("gearwitness %s (%s, %s)", b.Version, b.Go, b.Platform)
}

// onceFor remembers the first result that is no error.
func onceFor[T any](make func() (*T, error)) func() (*T, error) {
	var made *T
	return func() (*T, error) {
		if made != nil {
			return made, nil
		}
		var err error
		made, err = make()
		if err != nil {
			made = nil
		}
		return made, err
	}
}

// writeSamples decodes a session and gives its samples to a writer.
func writeSamples(ctx context.Context, folder, vehicle string, redact bool, words string, show *progress, open func(*decode.Table) (export.Writer, error)) error {
	w, err := newWalk(folder, vehicle, redact, show)
	if err != nil {
		return err
	}
	out, err := open(w.chain.Table())
	if err != nil {
		return err
	}
	if _, err := w.run(ctx, words, func(o *decode.Output, settled capture.Stamp) error { return out.Write(o.Samples, settled) }); err != nil {
		return err
	}
	return out.Close()
}

func newSessionsVerify() *cobra.Command {
	var o verifyOptions
	cmd := &cobra.Command{
		Use:   "verify SESSION",
		Short: "Check that a session is whole, unchanged and signed, and decodes to what it says",
		Long: `verify compares every file with its digest, checks the signature and a time stamp
if there are any, reads the recording through, and decodes it again: tables,
shifts and report must come out as they were sealed. Each finding is one line.

Exit status: 0 all holds, 1 something does not, 2 used wrong, 3 could not be
checked.`,
		Args: argument("SESSION", "a session's folder, or its name"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.session = args[0]
			return o.run(cmd)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.keys, "keys", "", "file of public keys that are trusted, one a line; without it any sound signature holds")
	f.StringVar(&o.issuers, "issuers", "", "certificates of trusted time stamp authorities, PEM")
	f.BoolVar(&o.noDecode, "no-decode", false, "do not decode the recording again")
	f.BoolVar(&o.asJSON, "json", false, "print JSON")
	archiveFlag(cmd, &o.archive)
	return cmd
}

type verifyOptions struct {
	session, keys, issuers, archive string
	noDecode, asJSON                bool
}

func (o *verifyOptions) run(cmd *cobra.Command) error {
	folder, err := findSession(o.archive, o.session)
	if err != nil {
		return err
	}
	show := newProgress(cmd.ErrOrStderr())
	defer show.done()
	var options archive.VerifyOptions
	if o.keys != "" {
		if options.Keys, err = archive.KeysLoad(o.keys); err != nil {
			return err
		}
	}
	if options.Roots, err = loadIssuers(o.issuers); err != nil {
		return err
	}
	v, found, err := verifyFolder(cmd.Context(), folder, options, !o.noDecode, show)
	if err != nil {
		return err
	}
	show.done()
	if o.asJSON {
		err = writeJSON(cmd, v)
	} else {
		out := cmd.OutOrStdout()
		for _, f := range found {
			word := "WRONG"
			if f.Remark {
				word = "note"
			}
			fmt.Fprintf(out, "%s: %s\n", word, f)
		}
		if v.Holds {
			fmt.Fprintf(out, "All holds: %d files, %s, %s frames; SHA-256 %s\n", v.Files, sizeText(v.Bytes), grouped(v.Frames), v.Digest)
		}
	}
	if err == nil && !v.Holds {
		err = wrongError{}
	}
	return err
}

// verifyFolder verifies a session, and with again decodes it once more.
func verifyFolder(ctx context.Context, folder string, o archive.VerifyOptions, again bool, show *progress) (*dashboards.SessionVerdict, []archive.Finding, error) {
	var found []archive.Finding
	var err error
	if again {
		// Where the session cannot even be opened, Verify says so in its findings.
		if o.Again, err = artefacts(ctx, folder, show); err != nil {
			o.Again = nil
			found = append(found, archive.Finding{Kind: archive.FoundMalformed, Text: "the recording cannot be decoded again: " + err.Error()})
		}
	}
	o.Software, o.Program, o.Progress = software(), thisBuild().Program, show.bytes("verifying")
	verdict, err := archive.Verify(ctx, folder, o, func(f archive.Finding) { found = append(found, f) })
	if err != nil {
		return nil, nil, err
	}
	v := &dashboards.SessionVerdict{Holds: true, Files: verdict.Files, Bytes: verdict.Bytes, Frames: verdict.Frames, Digest: verdict.Digest,
		Signer: verdict.Signer, Trusted: verdict.Trusted, Stamped: dashboards.When(verdict.Stamped), Findings: make([]dashboards.SessionFinding, 0, len(found))}
	for _, f := range found {
		l := dashboards.SessionFinding{Kind: f.Kind, Fault: !f.Remark, Path: f.Path, Text: f.Text}
		if f.First > 0 {
			l.Frames = &[2]uint64{f.First, f.Last}
		}
		v.Findings = append(v.Findings, l)
		v.Holds = v.Holds && f.Remark
	}
	return v, found, nil
}

func printHistory(w io.Writer, h *compare.History) error {
	fmt.Fprintln(w, "Sessions, oldest first:")
	for i, s := range h.Sessions {
		fmt.Fprintf(w, "  %d  %s\n", i+1, s)
	}
	fmt.Fprintln(w)
	for _, s := range h.Summary {
		fmt.Fprintln(w, s)
	}
	for i := range h.Groups {
		g := &h.Groups[i]
		fmt.Fprintf(w, "\n%s\n  %s.\n", g.Name(), g.Words)
		t := table{tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)}
		t.row("  SESSION", "SHIFTS", "MEDIAN", "95 % BETWEEN")
		for _, p := range g.Points {
			between := ""
			if p.Interval != nil {
				between = fmt.Sprintf("%.3g and %.3g", p.Interval.Low, p.Interval.High)
			}
			t.row(fmt.Sprintf("  %d", p.Session+1), fmt.Sprint(p.N), strings.TrimSpace(fmt.Sprintf("%.3g %s", p.Median, g.Unit)), between)
		}
		if err := t.Flush(); err != nil {
			return err
		}
	}
	return nil
}

// member returns a member of a JSON object as text, empty where there is none.
func member(object []byte, name string) string {
	var m map[string]any
	d := json.NewDecoder(bytes.NewReader(object))
	d.UseNumber()
	if d.Decode(&m) != nil || m[name] == nil {
		return ""
	}
	return fmt.Sprint(m[name])
}

// bytes makes progress by bytes visible.
func (p *progress) bytes(words string) func(done, total int64) {
	return func(done, total int64) {
		p.show(func() string {
			if total <= 0 {
				return fmt.Sprintf("%s: %s", words, sizeText(done))
			}
			return fmt.Sprintf("%s: %d %% of %s", words, min(100, 100*done/total), sizeText(total))
		})
	}
}
