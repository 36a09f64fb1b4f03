package main

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/capture/testneed"
	"gearwitness/dashboards"
	"gearwitness/decode/compare"
	"gearwitness/signals"
)

const exampleVIN = "1M8GDM9AXKP042788" // its check digit is right: 49 CFR 565.15

// record records a drive of the van as fast as it can be computed and returns
// the session's name below root.
func record(t testing.TB, root, source, title string, started time.Time) string {
	t.Helper()
	file, err := demoVehicle()
	if err != nil {
		t.Fatal(err)
	}
	return recordFrom(t, root, file, drivenVan(t, file, source), title, started)
}

func drivenVan(t testing.TB, file *signals.File, source string) capture.Source {
	t.Helper()
	u, err := capture.ParseURL(source)
	if err != nil {
		t.Fatal(err)
	}
	from, err := opening{file: file}.open(t.Context(), u)
	if err != nil {
		t.Fatal(err)
	}
	return from
}

// recordFrom records all that a source has.
func recordFrom(t testing.TB, root string, file *signals.File, from capture.Source, title string, started time.Time) string {
	t.Helper()
	defer from.Close()
	t.Cleanup(func() { giveBack(root) })
	s, err := archive.Create(root, archive.Meta{Title: title, Vehicle: "Parcel van", VIN: exampleVIN, Software: "gearwitness " + version(), Started: started}, file.Text(),
		archive.Options{MaxMemory: 1 << 30})
	if err != nil {
		t.Fatal(err)
	}
	var b capture.Batch
	for {
		b.Reset()
		err := from.Next(t.Context(), &b)
		s.Record(&b)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Mark(20e9, "customer hears it here"); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if lost := s.Status().Lost; lost > 0 {
		t.Fatalf("%d frames were lost while recording: the disk is slower than the source", lost)
	}
	return filepath.Base(s.Dir())
}

// program runs one command line.
func program(t *testing.T, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	status = run(t.Context(), args, strings.NewReader(""), &out, &errs)
	return status, out.String(), errs.String()
}

// must runs one that must succeed.
func must(t *testing.T, args ...string) string {
	t.Helper()
	status, out, errs := program(t, args...)
	if status != exitDone {
		t.Fatalf("gearwitness %s: exit status %d: %s%s", strings.Join(args, " "), status, out, errs)
	}
	return out
}

func fromJSON[T any](t *testing.T, text string) T {
	t.Helper()
	var v T
	if err := json.Unmarshal([]byte(text), &v); err != nil {
		t.Fatalf("%v in %s", err, text)
	}
	return v
}

var march = time.Date(2026, 3, 7, 14, 15, 3, 0, time.FixedZone("", 3600))

// TestFromRecordingToProof goes the whole way of a session: listed, sealed,
// verified by us and by other people's tools, handed on and taken in, its report
// made; then it is changed, and each change is found.
func TestFromRecordingToProof(t *testing.T) {
	t.Parallel()
	root, dir := t.TempDir(), t.TempDir()
	name := record(t, root, "van:?seed=7&for=70s", "Flare in 2-3", march)
	folder, key := filepath.Join(root, name), filepath.Join(dir, "key")
	at := func(args ...string) []string { return append(args, "--archive", root) }

	list := fromJSON[[]dashboards.SessionRow](t, must(t, at("sessions", "list", "--json")...))
	if len(list) != 1 || list[0].Name != name || list[0].Sealed || list[0].Title != "Flare in 2-3" || !list[0].Started.Equal(march) {
		t.Fatalf("list: %+v; want the one session, unsealed", list)
	}
	if status, out, _ := program(t, at("sessions", "verify", name)...); status != exitWrong || !strings.Contains(out, "WRONG: this session is not sealed") {
		t.Errorf("verifying an unsealed session: exit status %d, %s; want 1 and that it is not sealed", status, out)
	}
	must(t, at("sessions", "correct", name, "--odometer", "84210 km", "--concern", "flares hot")...)
	if facts := fromJSON[dashboards.SessionFacts](t, must(t, at("sessions", "show", name, "--json")...)); facts.Odometer != "84210 km" || facts.Concern != "flares hot" || facts.Title != "Flare in 2-3" {
		t.Errorf("corrected: %+v; want odometer and concern, and the title kept", facts)
	}
	journal, err := os.ReadFile(filepath.Join(folder, "data", "journal.jsonl"))
	if err != nil || !bytes.Contains(journal, []byte(`"kind":"correction"`)) || !bytes.Contains(journal, []byte(`{"label":"Odometer","from":"","to":"84210 km"}`)) {
		t.Errorf("the journal does not keep the correction: %s, %v", journal, err)
	}
	if status, _, errs := program(t, at("sessions", "correct", name)...); status != exitUsage || !strings.Contains(errs, "what is to be corrected") {
		t.Errorf("correcting nothing: exit status %d, %s", status, errs)
	}
	must(t, "key", "new", "--key", key, "--comment", "bench")
	shown := fromJSON[map[string]string](t, must(t, "key", "show", "--key", key, "--json"))
	if status, _, errs := program(t, "key", "new", "--key", key); status != exitFailed || !strings.Contains(errs, "not overwritten") {
		t.Errorf("making a key over another: exit status %d, %s", status, errs)
	}

	out := must(t, at("sessions", "seal", name, "--key", key)...)
	digest := regexp.MustCompile(`SHA-256: ([0-9a-f]{64})`).FindStringSubmatch(out)
	if digest == nil || !strings.Contains(out, shown["fingerprint"]) {
		t.Fatalf("seal says %s; want the digest and the key %s", out, shown["fingerprint"])
	}
	for _, f := range []string{"signals.parquet", "signals-10ms.parquet", "signals-20ms.parquet", "signals-100ms.parquet", "shifts.json", "report.html"} {
		if _, err := os.Stat(filepath.Join(folder, "data", f)); err != nil {
			t.Errorf("sealing did not write %s: %v", f, err)
		}
	}
	if out := must(t, at("sessions", "seal", name, "--key", key)...); !strings.Contains(out, "sealed before") || !strings.Contains(out, digest[1]) {
		t.Errorf("sealing again says %s; want that it was sealed and the same digest", out)
	}
	out = must(t, at("sessions", "verify", name, "--keys", key+".pub")...)
	if strings.Contains(out, "note:") || !strings.Contains(out, "All holds") || !strings.Contains(out, digest[1]) {
		t.Errorf("verify says %s; want that all holds, without remarks", out)
	}
	facts := fromJSON[dashboards.SessionFacts](t, must(t, at("sessions", "show", name, "--json")...))
	if facts.Digest != digest[1] || facts.Signer != shown["fingerprint"] || facts.VIN != exampleVIN || facts.VINRemark != "" || len(facts.Marks) != 1 || facts.Marks[0].Text != "customer hears it here" {
		t.Errorf("show: %+v; want digest, key, VIN and the mark", facts)
	}
	othersAgree(t, folder, dir, shown["public_key"])

	report := filepath.Join(dir, "report.html")
	must(t, at("report", name, "-o", report, "--redact")...)
	text, err := os.ReadFile(report)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Contains(text, []byte(digest[1])) || bytes.Contains(text, []byte(exampleVIN)) || !bytes.Contains(text, []byte("customer hears it here")) {
		t.Error("the report lacks digest or mark, or holds the VIN though it was to be left out")
	}

	zipped, other := filepath.Join(dir, "van.zip"), filepath.Join(dir, "other")
	must(t, at("sessions", "export", name, "-o", zipped)...)
	must(t, "sessions", "import", zipped, "--archive", other)
	must(t, "sessions", "verify", name, "--archive", other, "--keys", key+".pub")
	if status, _, errs := program(t, "sessions", "import", zipped, "--archive", other); status != exitFailed || !strings.Contains(errs, "exists already") {
		t.Errorf("importing twice: exit status %d, %s; want that it is there already", status, errs)
	}
	t.Cleanup(func() { giveBack(other) })
	changesAreFound(t, filepath.Join(other, name))
}

// othersAgree checks the seal with programs that know nothing of us.
func othersAgree(t *testing.T, folder, dir, public string) {
	sha256sum, keygen := testneed.Tool(t, "sha256sum"), testneed.Tool(t, "ssh-keygen")
	cmd := exec.Command(sha256sum, "--strict", "--quiet", "-c", "tagmanifest-sha256.txt", "manifest-sha256.txt")
	cmd.Dir = folder
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("sha256sum: %v\n%s", err, out)
	}
	allowed := filepath.Join(dir, "allowed")
	if err := os.WriteFile(allowed, []byte(`bench namespaces="gearwitness-session" `+public+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	tags, err := os.Open(filepath.Join(folder, "tagmanifest-sha256.txt"))
	if err != nil {
		t.Fatal(err)
	}
	defer tags.Close()
	cmd = exec.Command(keygen, "-Y", "verify", "-f", allowed, "-I", "bench", "-n", "gearwitness-session", "-s", tags.Name()+".sig")
	cmd.Stdin = tags
	if out, err := cmd.CombinedOutput(); err != nil || !bytes.Contains(out, []byte("Good")) {
		t.Errorf("ssh-keygen: %v\n%s", err, out)
	}
}

// changesAreFound changes a sealed session in two ways: clumsily, and with all
// digests made to fit again.
func changesAreFound(t *testing.T, folder string) {
	if err := giveBack(folder); err != nil {
		t.Fatal(err)
	}
	capture := filepath.Join(folder, "data", "capture-0001.pcapng")
	whole, err := os.ReadFile(capture)
	if err != nil {
		t.Fatal(err)
	}
	changed := slices.Clone(whole)
	changed[len(changed)/2] ^= 1
	write(t, capture, changed)
	status, out, _ := program(t, "sessions", "verify", folder, "--json")
	verdict := fromJSON[struct {
		Holds    bool
		Findings []dashboards.SessionFinding
	}](t, out)
	named := slices.ContainsFunc(verdict.Findings, func(f dashboards.SessionFinding) bool {
		return f.Fault && f.Path == "data/capture-0001.pcapng" && f.Frames != nil && f.Frames[0] < f.Frames[1]
	})
	if status != exitWrong || verdict.Holds || !named {
		t.Errorf("one changed bit: exit status %d, %+v; want 1 and the frames named", status, verdict)
	}
	write(t, capture, whole)

	// Somebody who shortens a shift and mends the digests is still found out: the
	// raw frames say otherwise, and the signature does not fit.
	shifts := filepath.Join(folder, "data", "shifts.json")
	text, err := os.ReadFile(shifts)
	if err != nil {
		t.Fatal(err)
	}
	forged := regexp.MustCompile(`"duration_s":0\.\d`).ReplaceAll(text, []byte(`"duration_s":0.1`))
	if bytes.Equal(forged, text) {
		t.Fatal("no shift to forge")
	}
	write(t, shifts, forged)
	manifest, tags := filepath.Join(folder, "manifest-sha256.txt"), filepath.Join(folder, "tagmanifest-sha256.txt")
	replace(t, manifest, hexSum(text), hexSum(forged))
	old, err := os.ReadFile(tags)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(string(old), "\n")
	mended, err := os.ReadFile(manifest)
	if err != nil {
		t.Fatal(err)
	}
	for i, l := range lines {
		if strings.HasSuffix(l, "  manifest-sha256.txt") {
			lines[i] = hexSum(mended) + "  manifest-sha256.txt"
		}
	}
	write(t, tags, []byte(strings.Join(lines, "\n")))
	status, out, _ = program(t, "sessions", "verify", folder)
	if status != exitWrong || !strings.Contains(out, "WRONG: data/shifts.json: is not what this very program makes of the recording") || !strings.Contains(out, "the signature does not hold") {
		t.Errorf("a forged shift: exit status %d, %s; want 1, the shifts and the signature named", status, out)
	}
	if status, out, _ = program(t, "sessions", "verify", folder, "--no-decode"); strings.Contains(out, "shifts.json") || status != exitWrong {
		t.Errorf("a forged shift, not decoded again: exit status %d, %s; want the signature alone", status, out)
	}
}

func hexSum(data []byte) string {
	d := sha256.Sum256(data)
	return hex.EncodeToString(d[:])
}

func write(t *testing.T, path string, data []byte) {
	t.Helper()
	if err := os.WriteFile(path, data, 0o644); err != nil {
		t.Fatal(err)
	}
}

func replace(t *testing.T, path, old, new string) {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Contains(data, []byte(old)) {
		t.Fatalf("%s does not hold %s", path, old)
	}
	write(t, path, bytes.ReplaceAll(data, []byte(old), []byte(new)))
}

// giveBack gives the right to write back that sealing took, so that a test can
// change or remove a session.
func giveBack(folder string) error {
	return filepath.WalkDir(folder, func(path string, d os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		return os.Chmod(path, 0o755)
	})
}

// TestUnsignedIsSaid seals where there is no key.
func TestUnsignedIsSaid(t *testing.T) {
	root := t.TempDir()
	name := record(t, root, "van:?for=5s", "short", march)
	out := must(t, "sessions", "seal", name, "--archive", root, "--unsigned")
	if !strings.Contains(out, "NOT SIGNED") {
		t.Errorf("seal says %s; want that the session is not signed", out)
	}
	out = must(t, "sessions", "verify", name, "--archive", root)
	if !strings.Contains(out, "note: sealed but not signed") {
		t.Errorf("verify says %s; want a note that nobody signed", out)
	}
	if _, err := signerFor(filepath.Join(root, "none"), false, false); !errors.Is(err, errNoKey) || !errors.As(err, new(usageError)) {
		t.Errorf("sealing where there is no key: %v, want %v", err, errNoKey)
	}
	if status, _, errs := program(t, "sessions", "seal", name, "--archive", root, "--key", filepath.Join(root, "none")); status != exitFailed || !strings.Contains(errs, "no key here") {
		t.Errorf("sealing with a key that is not there: exit status %d, %s", status, errs)
	}
}

// TestCutSessionHoldsElsewhere seals a session that was cut off, as by a power failure,
// and verifies it in another folder with the same program: it is genuine there too, and
// its report does not tell where the workshop keeps its sessions.
func TestCutSessionHoldsElsewhere(t *testing.T) {
	root, elsewhere := t.TempDir(), t.TempDir()
	name := record(t, root, "van:?for=5s", "cut off", march)
	capture := filepath.Join(root, name, "data", "capture-0001.pcapng")
	st, err := os.Stat(capture)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(capture, st.Size()-1234); err != nil {
		t.Fatal(err)
	}
	must(t, "sessions", "seal", name, "--archive", root, "--unsigned")
	report, err := os.ReadFile(filepath.Join(root, name, "data", "report.html"))
	if err != nil || !bytes.Contains(report, []byte("data/capture-0001.pcapng: offset")) || bytes.Contains(report, []byte(root)) {
		t.Errorf("the report must name the damage by the file inside the session, and not %s: %v", root, err)
	}
	if err := os.CopyFS(filepath.Join(elsewhere, name), os.DirFS(filepath.Join(root, name))); err != nil {
		t.Fatal(err)
	}
	if out := must(t, "sessions", "verify", name, "--archive", elsewhere); strings.Contains(out, "report.html") {
		t.Errorf("verified in another folder: %s; want nothing said of the report", out)
	}
	t.Cleanup(func() { _ = errors.Join(giveBack(root), giveBack(elsewhere)) })
}

// TestTimeStamp has a seal stamped by an authority made with openssl.
func TestTimeStamp(t *testing.T) {
	openssl := testneed.Tool(t, "openssl")
	root, dir := t.TempDir(), t.TempDir()
	name := record(t, root, "van:?for=2s", "stamped", march)
	at := func(args ...string) []string { return append(args, "--archive", root) }
	ssl := func(args ...string) {
		t.Helper()
		cmd := exec.Command(openssl, args...)
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("openssl %s: %v\n%s", args[0], err, out)
		}
	}
	write(t, filepath.Join(dir, "conf"), []byte("[req]\ndistinguished_name = dn\nx509_extensions = ext\n[dn]\n[ext]\nextendedKeyUsage = critical,timeStamping\n"+
		"[tsa]\ndefault_tsa = here\n[here]\nserial = serial\ncrypto_device = builtin\nsigner_cert = tsa.pem\nsigner_key = tsa.key\nsigner_digest = sha256\n"+
		"default_policy = 1.3.6.1.4.1.32473.1\ndigests = sha256\ness_cert_id_alg = sha256\n"))
	write(t, filepath.Join(dir, "serial"), []byte("01\n"))
	ssl("req", "-x509", "-config", "conf", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=stamps", "-days", "30", "-keyout", "tsa.key", "-out", "tsa.pem")

	query, answer := filepath.Join(dir, "q.tsq"), filepath.Join(dir, "a.tsr")
	if status, _, errs := program(t, at("sessions", "stamp", name, "--request", query)...); status != exitFailed || !strings.Contains(errs, "not sealed") {
		t.Errorf("stamping an unsealed session: exit status %d, %s", status, errs)
	}
	must(t, at("sessions", "seal", name, "--unsigned")...)
	must(t, at("sessions", "stamp", name, "--request", query)...)
	ssl("ts", "-reply", "-config", "conf", "-queryfile", "q.tsq", "-out", "a.tsr")
	issuers := filepath.Join(dir, "tsa.pem")
	if out := must(t, at("sessions", "stamp", name, "--answer", answer, "--issuers", issuers)...); !strings.Contains(out, "the seal existed at 20") {
		t.Errorf("stamp says %s; want the time", out)
	}
	verdict := fromJSON[struct {
		Holds   bool
		Stamped *time.Time
	}](t, must(t, at("sessions", "verify", name, "--issuers", issuers, "--json")...))
	if !verdict.Holds || verdict.Stamped == nil || time.Since(*verdict.Stamped).Abs() > time.Hour {
		t.Errorf("verify: %+v; want it to hold, stamped now", verdict)
	}
	for _, c := range []struct {
		args []string
		want int
		says string
	}{
		{[]string{"--request", query, "--answer", answer}, exitUsage, "either --request"},
		{[]string{"--answer", query}, exitFailed, "does not hold"},
		{[]string{"--answer", answer, "--issuers", query}, exitFailed, "PEM"},
	} {
		if status, _, errs := program(t, at(append([]string{"sessions", "stamp", name}, c.args...)...)...); status != c.want || !strings.Contains(errs, c.says) {
			t.Errorf("stamp %q: exit status %d, %s; want %d and %q", c.args, status, errs, c.want, c.says)
		}
	}
}

// TestExportForms writes one session in every form and reads each back as far as
// others would.
func TestExportForms(t *testing.T) {
	t.Parallel()
	root, dir := t.TempDir(), t.TempDir()
	name := record(t, root, "van:?seed=3&for=20s", "forms", march)
	to := func(file string, more ...string) string {
		path := filepath.Join(dir, file)
		must(t, append([]string{"sessions", "export", name, "--archive", root, "-o", path}, more...)...)
		return path
	}
	csv, decoded := to("a.csv"), filepath.Join(dir, "decoded.csv")
	must(t, "decode", filepath.Join(root, name), "--samples", decoded)
	a, err := os.ReadFile(csv)
	if err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(decoded)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(a, b) {
		t.Error("export and decode give different samples")
	}
	rows := int64(bytes.Count(a, []byte("\n")) - 1)
	for file, want := range map[string]int64{to("a.parquet"): rows, to("w", "--as", "wide") + "-10ms.parquet": 2000} {
		f, err := os.Open(file)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		st, err := f.Stat()
		if err != nil {
			t.Fatal(err)
		}
		table, err := parquet.OpenFile(f, st.Size())
		if err != nil {
			t.Fatal(err)
		}
		if got := table.NumRows(); got < want-5 || got > want {
			t.Errorf("%s has %d rows; want %d", filepath.Base(file), got, want)
		}
	}
	om, err := os.ReadFile(to("a.om", "--step", "1s"))
	if err != nil {
		t.Fatal(err)
	}
	if n := bytes.Count(om, []byte(`gearwitness_signal{signal="engine_speed",unit="rpm"}`)); n < 18 || n > 22 || !bytes.HasSuffix(om, []byte("# EOF\n")) {
		t.Errorf("%d samples of engine_speed in 20 s at --step 1s, end %q; want about 20 and # EOF", n, om[len(om)-10:])
	}
	z, err := zip.OpenReader(to("a.zip"))
	if err != nil {
		t.Fatal(err)
	}
	z.Close()
	if left, _ := filepath.Glob(filepath.Join(dir, "*.part")); left != nil {
		t.Errorf("left behind: %q", left)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, ".gearwitness*")); left != nil {
		t.Errorf("left behind: %q", left)
	}
}

// TestCompareCommand compares a sound drive with one whose clutch fills late, in
// words and as JSON, and three drives as a history.
func TestCompareCommand(t *testing.T) {
	t.Parallel()
	root := t.TempDir()
	sound := record(t, root, "van:?seed=1&for=7m", "before", march)
	late := record(t, root, "van:?seed=1&for=7m&fault=odd-gears-clutch-fills-late=300", "after", march.AddDate(0, 1, 0))
	out := must(t, "sessions", "compare", sound, late, "--archive", root)
	for _, want := range []string{"Then:  " + sound, "Now:   " + late, "Worse: Odd-gears clutch. Input speed flares", "WHAT ", "Flare, 2-3 power-on up, 4-5", "clearly different: worse", "alike within what matters", "Road slope"} {
		if !strings.Contains(out, want) {
			t.Errorf("compare does not say %q:\n%s", want, out)
		}
	}
	if all := must(t, "sessions", "compare", sound, late, "--archive", root, "--all"); !strings.Contains(all, "with 95 % confidence") || !strings.Contains(all, "Engagement at a standstill") {
		t.Errorf("compare --all says\n%s\nwant every line and how sure it is", all)
	}
	c := fromJSON[compare.Comparison](t, must(t, "sessions", "compare", late, sound, "--archive", root, "--json"))
	if len(c.Rows) < 30 || c.Rows[0].Judged != compare.Different || len(c.Changed) == 0 || c.Changed[0].Part != "odd-gears clutch" || c.Changed[0].Direction != compare.Better {
		t.Errorf("JSON: %+v; want the odd-gears clutch better, and the rows with their figures", c.Changed)
	}
	third := record(t, root, "van:?seed=1&for=2m", "third", march.AddDate(0, 2, 0))
	out = must(t, "sessions", "compare", third, late, sound, "--archive", root)
	if !strings.Contains(out, "Sessions, oldest first:\n  1  "+sound+"\n  2  "+late+"\n  3  "+third) || !strings.Contains(out, "Too few sessions") {
		t.Errorf("history says\n%s\nwant the sessions in order of time and that they are too few", out)
	}
	// By its number alone: a session that has lost it is told and does not count.
	must(t, "sessions", "correct", third, "--vin", "", "--archive", root)
	h := fromJSON[struct {
		VIN            string
		Sessions, Left []string
	}](t, must(t, "sessions", "history", late, "--archive", root, "--json"))
	if h.VIN != exampleVIN || !slices.Equal(h.Sessions, []string{sound, late}) || len(h.Left) != 1 || !strings.HasPrefix(h.Left[0], third+": no vehicle") {
		t.Errorf("history of the vehicle: %+v; want the first two in order, and why the third does not count", h)
	}
	// One that lies elsewhere counts beside those of the archive.
	if out := must(t, "sessions", "history", filepath.Join(root, late), "--archive", t.TempDir()); !strings.Contains(out, "Sessions, oldest first:\n  1  "+late+"\n\n") {
		t.Errorf("history of a session from outside the archive:\n%s", out)
	}
	if status, _, errs := program(t, "sessions", "history", third, "--archive", root); status != exitFailed || !strings.Contains(errs, "sessions correct") {
		t.Errorf("history without a number: exit status %d, %s", status, errs)
	}
}

// TestPruneKeepsTheProtected prunes an archive of three.
func TestPruneKeepsTheProtected(t *testing.T) {
	root := t.TempDir()
	old := record(t, root, "van:?for=1s", "old", march)
	disputed := record(t, root, "van:?for=1s", "disputed", march.Add(time.Hour))
	fresh := record(t, root, "van:?for=1s", "fresh", time.Now())
	must(t, "sessions", "protect", disputed, "--archive", root, "--reason", "dispute 12")
	out := must(t, "sessions", "prune", "--archive", root, "--older", "1d")
	if !strings.Contains(out, "Nothing was removed yet") {
		t.Errorf("prune without --remove says %s", out)
	}
	names := func() (list []string) {
		for _, r := range fromJSON[[]dashboards.SessionRow](t, must(t, "sessions", "list", "--json", "--archive", root)) {
			list = append(list, r.Name)
		}
		return list
	}
	if got := names(); len(got) != 3 {
		t.Fatalf("after a look: %q; want all three", got)
	}
	must(t, "sessions", "prune", "--archive", root, "--older", "24h", "--remove")
	if got := names(); !slices.Equal(got, []string{disputed, fresh}) {
		t.Errorf("after pruning: %q; want all but %s", got, old)
	}
	must(t, "sessions", "protect", disputed, "--archive", root, "--off")
	must(t, "sessions", "prune", "--archive", root, "--older", "1w", "--remove")
	if got := names(); !slices.Equal(got, []string{fresh}) {
		t.Errorf("after taking the protection away: %q; want %s alone", got, fresh)
	}
}

// TestSessionsUsedWrong checks exit status and words.
func TestSessionsUsedWrong(t *testing.T) {
	root := t.TempDir()
	write(t, filepath.Join(root, "words.zip"), []byte("no zip"))
	for _, c := range []struct {
		args []string
		want int
		says []string
	}{
		{[]string{"report", "none"}, exitFailed, []string{"there is no session none", "sessions list"}},
		{[]string{"report"}, exitUsage, []string{"SESSION is missing"}},
		{[]string{"sessions", "show", root}, exitFailed, []string{"no session", "bag-info.txt"}},
		{[]string{"sessions", "compare", "a"}, exitUsage, []string{"two sessions"}},
		{[]string{"sessions", "export", "a"}, exitUsage, []string{"-o FILE"}},
		{[]string{"sessions", "export", "a", "-o", "b"}, exitUsage, []string{"--as zip, csv, parquet, wide, openmetrics"}},
		{[]string{"sessions", "export", "a", "-o", "b.om", "--step", "1ms"}, exitUsage, []string{"--step", "2ms"}},
		{[]string{"sessions", "export", "a", "-o", "-", "--as", "wide"}, exitUsage, []string{"several files"}},
		{[]string{"sessions", "prune"}, exitUsage, []string{"--older AGE"}},
		{[]string{"sessions", "prune", "--older", "soon"}, exitUsage, []string{`"soon"`, "90d"}},
		{[]string{"sessions", "prune", "--older", "-3d"}, exitUsage, []string{"above 0"}},
		{[]string{"sessions", "import", filepath.Join(root, "none.zip")}, exitFailed, []string{"no such file"}},
		{[]string{"sessions", "import", filepath.Join(root, "words.zip")}, exitFailed, []string{"no zip file"}},
		{[]string{"sessions", "protect", "a", "--off"}, exitFailed, []string{"there is no session a"}},
		{[]string{"sessions", "lst"}, exitUsage, []string{`unknown command "lst"`}},
		{[]string{"key", "show", "--key", filepath.Join(root, "k")}, exitFailed, []string{"there is no key", "key new"}},
	} {
		if c.args[0] == "sessions" && len(c.args) > 1 && c.args[1] != "lst" {
			c.args = append(c.args, "--archive", filepath.Join(root, "sessions"))
		}
		status, _, errs := program(t, c.args...)
		if status != c.want {
			t.Errorf("gearwitness %s: exit status %d; want %d: %s", strings.Join(c.args, " "), status, c.want, errs)
		}
		for _, s := range c.says {
			if !strings.Contains(errs, s) {
				t.Errorf("gearwitness %s said %s; want it to mention %q", strings.Join(c.args, " "), errs, s)
			}
		}
	}
	if out := must(t, "sessions", "list", "--archive", filepath.Join(root, "sessions")); !strings.Contains(out, "No sessions") {
		t.Errorf("an archive that is not there: %s", out)
	}
}
