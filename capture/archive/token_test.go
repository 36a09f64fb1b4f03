package archive

import (
	"bytes"
	"context"
	"crypto/x509"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gearwitness/capture/testneed"
)

// authority is a time stamp authority of our own, made with openssl.
type authority struct {
	t            testing.TB
	openssl, dir string
	roots        *x509.CertPool
}

const tsaConfig = `[tsa]
default_tsa = here
[here]
serial = serial
crypto_device = builtin
signer_cert = tsa.pem
certs = ca.pem
signer_key = tsa.key
signer_digest = sha256
default_policy = 1.3.6.1.4.1.32473.1
digests = sha256, sha512
accuracy = secs:1
ess_cert_id_chain = no
ess_cert_id_alg = sha256
[ca]
basicConstraints = critical,CA:TRUE
[stamps]
extendedKeyUsage = critical,timeStamping
[other]
extendedKeyUsage = critical,serverAuth
`

func newAuthority(t testing.TB, algorithm ...string) *authority {
	a := &authority{t: t, openssl: testneed.Tool(t, "openssl"), dir: t.TempDir()}
	write(t, filepath.Join(a.dir, "conf"), []byte(tsaConfig))
	write(t, filepath.Join(a.dir, "serial"), []byte("01\n"))
	key := func(name string) []string {
		return append([]string{"-newkey"}, append(algorithm, "-nodes", "-keyout", name+".key")...)
	}
	a.run(append([]string{"req", "-x509", "-subj", "/CN=root", "-days", "3650", "-out", "ca.pem", "-extensions", "ca", "-config", a.config("ca")}, key("ca")...)...)
	a.run(append([]string{"req", "-new", "-subj", "/CN=stamps", "-out", "tsa.csr", "-config", a.config("stamps")}, key("tsa")...)...)
	a.issue("stamps")
	pem, err := os.ReadFile(filepath.Join(a.dir, "ca.pem"))
	if err != nil {
		t.Fatal(err)
	}
	a.roots = x509.NewCertPool()
	a.roots.AppendCertsFromPEM(pem)
	return a
}

// config writes a configuration for openssl req, which wants a name section.
func (a *authority) config(name string) string {
	path := "conf-" + name
	write(a.t, filepath.Join(a.dir, path), []byte("[req]\ndistinguished_name = dn\n[dn]\n"+tsaConfig))
	return path
}

// issue makes the certificate of the signer, for time stamps or something else.
func (a *authority) issue(section string) {
	a.run("x509", "-req", "-in", "tsa.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-days", "3650", "-out", "tsa.pem", "-extfile", "conf", "-extensions", section)
}

func (a *authority) run(args ...string) {
	a.t.Helper()
	cmd := exec.Command(a.openssl, args...)
	cmd.Dir = a.dir
	if out, err := cmd.CombinedOutput(); err != nil {
		a.t.Fatalf("openssl %s: %v: %s", strings.Join(args, " "), err, out)
	}
}

// answer stamps a request.
func (a *authority) answer(query []byte) []byte {
	a.t.Helper()
	write(a.t, filepath.Join(a.dir, "query"), query)
	a.run("ts", "-reply", "-config", "conf", "-queryfile", "query", "-out", "answer")
	data, err := os.ReadFile(filepath.Join(a.dir, "answer"))
	if err != nil {
		a.t.Fatal(err)
	}
	return data
}

func TestTimeStamps(t *testing.T) {
	for name, algorithm := range map[string][]string{"rsa": {"rsa:2048"}, "ecdsa": {"ec", "-pkeyopt", "ec_paramgen_curve:P-256"}} {
		t.Run(name, func(t *testing.T) {
			a := newAuthority(t, algorithm...)
			dir := recorded(t, nil, t.TempDir(), 10, Meta{})
			t.Cleanup(func() { writable(t, dir) })
			if _, err := TagManifest(dir); err == nil || !strings.Contains(err.Error(), "not sealed") {
				t.Errorf("unsealed: %v", err)
			}
			if _, err := Seal(context.Background(), dir, SealOptions{}); err != nil {
				t.Fatal(err)
			}
			tags, err := TagManifest(dir)
			if err != nil {
				t.Fatal(err)
			}
			query, err := TokenRequest(tags)
			if err != nil {
				t.Fatal(err)
			}
			answer := a.answer(query)
			at, err := AddToken(dir, answer, a.roots)
			if err != nil || time.Since(at).Abs() > time.Minute {
				t.Fatalf("stamped %v, %v", at, err)
			}
			v, remarks := mustVerify(t, dir, VerifyOptions{Roots: a.roots})
			if !v.Stamped.Equal(at) || len(remarks) != 1 { // unsigned
				t.Errorf("%+v, %v", v, remarks)
			}
			// openssl reads it the same way.
			a.run("ts", "-verify", "-in", "answer", "-data", filepath.Join(dir, tagName), "-CAfile", "ca.pem")

			if _, list := mustVerify(t, dir, VerifyOptions{}); len(list) != 2 || list[1].Kind != FoundTime {
				t.Errorf("without roots: %v", list)
			}
			check := func(name, want string, token, data []byte, roots *x509.CertPool) {
				t.Helper()
				if _, err := CheckToken(token, data, roots); err == nil || !strings.Contains(err.Error(), want) {
					t.Errorf("%s: %v; want %q", name, err, want)
				}
			}
			check("other data", "made over something else", answer, []byte("x"), a.roots)
			check("other issuer", "none of the trusted ones", answer, tags, x509.NewCertPool())
			check("text", "expected an answer", []byte("x"), tags, a.roots)
			check("empty", "expected an answer", nil, tags, a.roots)
			refused := []byte{0x30, 0x05, 0x30, 0x03, 0x02, 0x01, 0x02} // status 2, rejection
			check("refused", "refused it, status 2", refused, tags, a.roots)
			for i := range answer {
				bad := bytes.Clone(answer)
				bad[i] ^= 1
				if got, err := CheckToken(bad, tags, a.roots); err == nil && !got.Equal(at) {
					t.Errorf("byte %d flipped: time %v, was %v", i, got, at)
				}
			}
			// The token of one bag says nothing of another.
			other := recorded(t, nil, t.TempDir(), 11, Meta{})
			t.Cleanup(func() { writable(t, other) })
			if _, err := Seal(context.Background(), other, SealOptions{}); err != nil {
				t.Fatal(err)
			}
			if _, err := AddToken(other, answer, a.roots); err == nil || !strings.Contains(err.Error(), "made over something else") || exists(OS{}, filepath.Join(other, tokenName)) {
				t.Errorf("token of another session taken in: %v", err)
			}
			write(t, filepath.Join(other, tokenName), answer)
			for _, roots := range []*x509.CertPool{a.roots, nil} {
				v, list := verified(t, other, VerifyOptions{Roots: roots})
				if last := list[len(list)-1]; v.Holds() || !v.Stamped.IsZero() || last.Kind != FoundTime || last.Path != tokenName || !strings.Contains(last.Text, "made over something else") {
					t.Errorf("token of another session: %+v, %v", v, list)
				}
			}
			if err := os.WriteFile(filepath.Join(dir, tokenName), answer[:len(answer)-20], 0o644); err != nil {
				t.Fatal(err)
			}
			if v, list := verified(t, dir, VerifyOptions{Roots: a.roots}); v.Holds() || list[len(list)-1].Kind != FoundTime {
				t.Errorf("cut token: %v", list)
			}
		})
	}
}

func FuzzToken(f *testing.F) {
	f.Add([]byte{0x30, 0x05, 0x30, 0x03, 0x02, 0x01, 0x00})
	f.Fuzz(func(t *testing.T, answer []byte) {
		if at, err := CheckToken(answer, []byte("x"), nil); err == nil {
			t.Fatalf("a token made by nobody holds at %v", at)
		}
	})
}
