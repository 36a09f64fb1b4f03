package archive

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/hiddeco/sshsig"
	"golang.org/x/crypto/ssh"
)

// vectors are published or independently worked cases; see testdata/README.md.
var vectors struct {
	First []struct {
		Kind          string
		Input, Expect json.RawMessage
		Source        string
	}
	Second []struct {
		ID, Kind string
		In, Want json.RawMessage
		Source   string
	}
}

func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == crashChild {
		recordUntilKilled(os.Args[2:])
		return
	}
	if len(os.Args) > 1 && os.Args[1] == sealChild {
		sealUntilKilled(os.Args[2:])
		return
	}
	data, err := os.ReadFile("testdata/vectors.json")
	if err == nil {
		err = json.Unmarshal(data, &vectors)
	}
	if err != nil {
		panic(err)
	}
	os.Exit(m.Run())
}

func unmarshal(t *testing.T, data []byte, v any) {
	t.Helper()
	if err := json.Unmarshal(data, v); err != nil {
		t.Fatalf("%s: %v", data, err)
	}
}

// bagOf checks a bag of files as RFC 8493 asks.
func bagOf(t *testing.T, files map[string]string) (faults []Finding) {
	t.Helper()
	disk := newMemFS()
	for name, text := range files {
		disk.put("/bag/"+name, []byte(text))
	}
	v := &verifier{fs: disk, dir: "/bag", m: &meter{ctx: context.Background()}, altered: map[string]bool{}, found: func(f Finding) {
		if !f.Remark {
			faults = append(faults, f)
		}
	}}
	if _, err := v.bag(); err != nil {
		t.Fatal(err)
	}
	return faults
}

func TestBags(t *testing.T) {
	n := 0
	for i, v := range vectors.First {
		if v.Kind != "bagit" {
			continue
		}
		n++
		var files map[string]string
		var want struct {
			Valid                     bool
			Missing, Unlisted, Unsafe []string
		}
		unmarshal(t, v.Input, &files)
		unmarshal(t, v.Expect, &want)
		got := map[Kind][]string{}
		faults := bagOf(t, files)
		for _, f := range faults {
			got[f.Kind] = append(got[f.Kind], f.Path)
		}
		if (len(faults) == 0) != want.Valid || !slices.Equal(got[FoundMissing], want.Missing) ||
			!slices.Equal(got[FoundUnlisted], want.Unlisted) || !slices.Equal(got[FoundUnsafe], want.Unsafe) {
			t.Errorf("case %d: got %v, want %+v", i, faults, want)
		}
	}
	for _, v := range vectors.Second {
		if v.Kind != "bagit" {
			continue
		}
		n++
		var in struct{ Files map[string]string }
		var want struct{ Valid bool }
		unmarshal(t, v.In, &in)
		unmarshal(t, v.Want, &want)
		if faults := bagOf(t, in.Files); (len(faults) == 0) != want.Valid {
			t.Errorf("%s: got %v, want valid %v", v.ID, faults, want.Valid)
		}
	}
	if n != 11 {
		t.Errorf("%d cases run, want 11", n)
	}
}

func TestVINs(t *testing.T) {
	n := 0
	for _, v := range vectors.First {
		if v.Kind != "vin" {
			continue
		}
		n++
		var in string
		var want struct {
			Formed bool   `json:"well_formed"`
			Digit  string `json:"check_digit"`
			OK     bool
		}
		unmarshal(t, v.Input, &in)
		unmarshal(t, v.Expect, &want)
		got := CheckVIN(in)
		if (got.Problem == "") != want.Formed || got.Matches != want.OK || want.Formed && string(got.Check) != want.Digit {
			t.Errorf("%s: got %+v, want %+v", in, got, want)
		}
		if (got.Warning() == "") != (want.Formed && want.OK) {
			t.Errorf("%s: warning %q", in, got.Warning())
		}
		if lower := CheckVIN(strings.ToLower(in)); lower != got && want.Formed {
			t.Errorf("%s: lower case reads %+v", in, lower)
		}
	}
	for _, v := range vectors.Second {
		if v.Kind != "vin" {
			continue
		}
		n++
		var in string
		var want struct {
			Check, Bad string
			Matches    bool
		}
		unmarshal(t, v.In, &in)
		unmarshal(t, v.Want, &want)
		got := CheckVIN(in)
		if (got.Problem == "") != (want.Bad == "") || want.Bad == "" && (string(got.Check) != want.Check || got.Matches != want.Matches) {
			t.Errorf("%s: got %+v, want %+v", in, got, want)
		}
	}
	if n != 17 {
		t.Errorf("%d cases run, want 17", n)
	}
}

func TestTimes(t *testing.T) {
	for _, v := range vectors.Second {
		if v.Kind != "time.rfc3339" {
			continue
		}
		var in string
		var want struct {
			NS  int64 `json:"unix_ns"`
			Bad bool
		}
		unmarshal(t, v.In, &in)
		unmarshal(t, v.Want, &want)
		got, err := parseTime(in)
		if (err != nil) != want.Bad || err == nil && got.UnixNano() != want.NS {
			t.Errorf("%s: got %v, %v; want %+v", in, got, err, want)
		}
	}
}

func TestDigests(t *testing.T) {
	for _, v := range vectors.First {
		if v.Kind != "sha256_text" {
			continue
		}
		var in, want string
		unmarshal(t, v.Input, &in)
		unmarshal(t, v.Expect, &want)
		disk := newMemFS()
		disk.put("/f", []byte(in))
		if n, got, err := digest(disk, "/f", &meter{ctx: context.Background()}); got != want || n != int64(len(in)) || err != nil {
			t.Errorf("%q: %s, %d bytes, %v; want %s", in, got, n, err, want)
		}
	}
}

func TestSignatureBlobs(t *testing.T) {
	for _, v := range vectors.Second {
		if v.Kind != "sshsig.parse" {
			continue
		}
		var in struct{ Base64 string }
		var want struct {
			Namespace, Reject, Hash string
			Algorithm               string `json:"signature_algorithm"`
		}
		unmarshal(t, v.In, &in)
		unmarshal(t, v.Want, &want)
		blob, err := base64.StdEncoding.DecodeString(in.Base64)
		if err != nil {
			t.Fatal(err)
		}
		sig, err := sshsig.ParseSignature(blob)
		switch {
		case (err != nil) != (want.Reject != ""):
			t.Errorf("%s: %v, want rejected: %q", v.ID, err, want.Reject)
		case err == nil && (sig.Namespace != want.Namespace || string(sig.HashAlgorithm) != want.Hash || sig.Signature.Format != want.Algorithm):
			t.Errorf("%s: %+v, want %+v", v.ID, sig, want)
		}
	}
}

// A session whose tag manifest is the signed message: only where message,
// namespace and key agree does the signature hold.
func TestSignatureVerification(t *testing.T) {
	n := 0
	for _, v := range vectors.Second {
		if v.Kind != "sshsig.verify" {
			continue
		}
		n++
		var in struct {
			Allowed                       string `json:"allowed_signers"`
			Namespace, Message, Signature string
		}
		unmarshal(t, v.In, &in)
		_, line, _ := strings.Cut(in.Allowed, " ")
		key, _, _, _, err := ssh.ParseAuthorizedKey([]byte(line))
		if err != nil {
			t.Fatal(err)
		}
		check := func(message, signature string, keys ...ssh.PublicKey) (Verdict, []Finding) {
			disk := newMemFS()
			disk.put("/s/"+sigName, []byte(signature))
			var list []Finding
			vf := &verifier{o: VerifyOptions{Keys: keys}, fs: disk, dir: "/s", altered: map[string]bool{}, m: &meter{ctx: context.Background()}, found: func(f Finding) { list = append(list, f) }}
			vf.signature([]byte(message))
			return vf.verdict, list
		}
		ours := in.Namespace == Namespace
		got, list := check(in.Message, in.Signature, key)
		if got.Holds() != ours || got.Trusted != ours {
			t.Errorf("%s: %+v, %v; want it to hold: %v", v.ID, got, list, ours)
		}
		if got, _ := check(in.Message+"x", in.Signature, key); got.Holds() {
			t.Errorf("%s: holds for a changed message", v.ID)
		}
		if got, list := check(in.Message, in.Signature); ours && (!got.Holds() || got.Trusted || len(list) != 1 || list[0].Kind != FoundUnknownKey) {
			t.Errorf("%s: without trusted keys %+v, %v", v.ID, got, list)
		}
		other := newSigner(t).PublicKey()
		if got, _ := check(in.Message, in.Signature, other); got.Holds() {
			t.Errorf("%s: holds for another key", v.ID)
		}
	}
	if n != 2 {
		t.Errorf("%d cases run, want 2", n)
	}
}

func TestUnsafePaths(t *testing.T) {
	for _, p := range []string{"", "/etc/passwd", "../x", "data/../../x", "data/./x", "data//x", "~/x", `data\x`, "C:/x", "data/a:b", "data/\x00", "data/\xff", strings.Repeat("x", 2000), "data/", "..", "."} {
		if unsafePath(p) == "" && p != "." {
			t.Errorf("%q passes for safe", p)
		}
	}
	for _, p := range []string{"data/x", "data/a b", "data/ä.txt", "data/100%.txt", "data/deep/er/x"} {
		if why := unsafePath(p); why != "" {
			t.Errorf("%q: %s", p, why)
		}
	}
}

func TestMalformedManifests(t *testing.T) {
	good := strings.Repeat("ab", 32)
	for _, c := range []struct {
		name, line string
		bad        bool
	}{
		{"plain", good + "  data/x", false},
		{"binary mode", good + " *data/x", false},
		{"tab", good + "\tdata/x", false},
		{"carriage return", good + "  data/x\r", false},
		{"upper case", strings.ToUpper(good) + "  data/x", false},
		{"no path", good, true},
		{"short digest", good[2:] + "  data/x", true},
		{"no hex", strings.Repeat("xy", 32) + "  data/x", true},
		{"tag file in the payload's manifest", good + "  bagit.txt", true},
		{"long line", good + "  data/" + strings.Repeat("x", 100_000), true},
	} {
		var problems []string
		list := parseManifest(manifestName, []byte(c.line+"\n"), true, func(p, text string) { problems = append(problems, p+": "+text) })
		if (len(problems) > 0) != c.bad || !c.bad && fmt.Sprint(list) != "[{data/x "+good+"}]" {
			t.Errorf("%s: %v, %v", c.name, list, problems)
		}
	}
}
