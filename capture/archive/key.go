package archive

import (
	"bytes"
	"crypto/ed25519"
	"crypto/rand"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"golang.org/x/crypto/ssh"
)

// KeyNew makes an Ed25519 key pair in the format of OpenSSH: the private half at
// path, readable by its owner alone, the public half at path + ".pub". It never
// overwrites a key. The comment goes into both, for people.
func KeyNew(path, comment string) (ssh.PublicKey, error) {
	if strings.ContainsAny(comment, "\r\n") {
		return nil, errors.New("the key's comment must be one line")
	}
	for _, p := range []string{path, path + ".pub"} {
		if _, err := os.Lstat(p); err == nil {
			return nil, fmt.Errorf("%s: a key exists already; it is needed to prove who sealed earlier sessions, so it is not overwritten", p)
		}
	}
	public, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, err
	}
	block, err := ssh.MarshalPrivateKey(private, comment)
	if err != nil {
		return nil, err
	}
	key, err := ssh.NewPublicKey(public)
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return nil, plain(err)
	}
	if err := writeNew(path, pem.EncodeToMemory(block), 0o600); err != nil {
		return nil, plain(err)
	}
	if err := writeNew(path+".pub", []byte(KeyLine(key, comment)+"\n"), 0o644); err != nil {
		return nil, plain(err)
	}
	return key, nil
}

func writeNew(path string, data []byte, mode fs.FileMode) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, mode)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		os.Remove(path)
	}
	return err
}

// KeyLine returns a public key as one line of OpenSSH, without a line end.
func KeyLine(key ssh.PublicKey, comment string) string {
	return strings.TrimSpace(strings.TrimSpace(string(ssh.MarshalAuthorizedKey(key))) + " " + comment)
}

// KeyLoad reads a private key. passphrase is asked when the key needs one; nil
// refuses such a key.
func KeyLoad(path string, passphrase func() ([]byte, error)) (ssh.Signer, error) {
	st, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s: no key here; make one first: %w", path, fs.ErrNotExist)
	}
	if err != nil {
		return nil, plain(err)
	}
	if mode := st.Mode().Perm(); mode&0o077 != 0 && runtime.GOOS != "windows" {
		return nil, fmt.Errorf("%s: others can read this key (mode %04o), so it proves nothing; take the right away with chmod 600, and think about a new key", path, mode)
	}
	if st.Size() > 1<<20 {
		return nil, fmt.Errorf("%s: %d bytes; expected a private key of OpenSSH", path, st.Size())
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, plain(err)
	}
	signer, err := ssh.ParsePrivateKey(data)
	var locked *ssh.PassphraseMissingError
	if errors.As(err, &locked) {
		if passphrase == nil {
			return nil, fmt.Errorf("%s: this key is protected by a passphrase", path)
		}
		secret, perr := passphrase()
		if perr != nil {
			return nil, perr
		}
		signer, err = ssh.ParsePrivateKeyWithPassphrase(data, secret)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: expected a private key of OpenSSH: %w", path, err)
	}
	return signer, nil
}

// KeysLoad reads public keys, one a line, as in a .pub file, an authorized_keys
// or an allowed_signers file.
func KeysLoad(path string) ([]ssh.PublicKey, error) {
	data, err := readAll(OS{}, path, 1<<20)
	if err != nil {
		return nil, plain(err)
	}
	var keys []ssh.PublicKey
	for n, line := range strings.Split(string(data), "\n") {
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		// In an allowed_signers file principals come first; they hold no
		// spaces, and the options behind them are the same as elsewhere.
		key, _, _, _, err := ssh.ParseAuthorizedKey([]byte(line))
		if err != nil {
			_, rest, _ := strings.Cut(line, " ")
			key, _, _, _, err = ssh.ParseAuthorizedKey([]byte(rest))
		}
		if err != nil {
			return nil, fmt.Errorf("%s:%d: expected a public key such as ssh-ed25519 AAAA..., found %q", path, n+1, clip(line))
		}
		keys = append(keys, key)
	}
	return keys, nil
}

// Fingerprint names a key in short, as ssh-keygen -l does.
func Fingerprint(key ssh.PublicKey) string { return ssh.FingerprintSHA256(key) }

func sameKey(a, b ssh.PublicKey) bool { return bytes.Equal(a.Marshal(), b.Marshal()) }
