package main

import (
	"fmt"
	"os"
	"os/user"
	"path/filepath"

	"github.com/adrg/xdg"
	"github.com/spf13/cobra"

	"gearwitness/capture/archive"
)

// defaultKey is where the key stands that sessions are signed with.
func defaultKey() string { return filepath.Join(xdg.ConfigHome, "gearwitness", "key") }

func newKey() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "key",
		Short: "Make and show the key that sessions are signed with",
		Args:  cobra.NoArgs,
		RunE:  func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(newKeyNew(), newKeyShow())
	return cmd
}

func newKeyNew() *cobra.Command {
	var path, comment string
	cmd := &cobra.Command{
		Use:   "new",
		Short: "Make an Ed25519 key, as ssh-keygen would",
		Long: `new makes the key that seal signs with: the private half readable by you alone,
the public half beside it with the ending .pub. Give the public half to whoever
shall be able to check your seals; keep a copy of the private half where nobody
else gets at it. A key is never overwritten.

Exit status: 0 done, 2 used wrong, 3 failed.`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if comment == "" {
				comment = keyComment()
			}
			key, err := archive.KeyNew(path, comment)
			if err != nil {
				return err
			}
			out := cmd.OutOrStdout()
			fmt.Fprintf(out, "Private key:  %s\nPublic key:   %s.pub\nFingerprint:  %s\n%s\n", path, path, archive.Fingerprint(key), archive.KeyLine(key, comment))
			return nil
		},
	}
	cmd.Flags().StringVar(&path, "key", defaultKey(), "file of the private key")
	cmd.Flags().StringVar(&comment, "comment", "", "for people; user and machine if not given")
	return cmd
}

// keyComment is user@machine, as far as they are known.
func keyComment() string {
	name := "gearwitness"
	if u, err := user.Current(); err == nil {
		name = u.Username
	}
	if host, err := os.Hostname(); err == nil {
		name += "@" + host
	}
	return name
}

func newKeyShow() *cobra.Command {
	var path string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "show",
		Short: "Show the public key, to be given to others",
		Args:  noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			keys, err := archive.KeysLoad(path + ".pub")
			if err != nil {
				if _, statErr := os.Stat(path + ".pub"); os.IsNotExist(statErr) {
					return fmt.Errorf("there is no key at %s; `gearwitness key new` makes one", path)
				}
				return err
			}
			if len(keys) != 1 {
				return fmt.Errorf("%s.pub: expected one public key, found %d", path, len(keys))
			}
			line := archive.KeyLine(keys[0], "")
			if asJSON {
				return writeJSON(cmd, struct {
					Path        string `json:"path"`
					Fingerprint string `json:"fingerprint"`
					Public      string `json:"public_key"`
				}{path, archive.Fingerprint(keys[0]), line})
			}
			out := cmd.OutOrStdout()
			fmt.Fprintf(out, "Private key:  %s\nFingerprint:  %s\n%s\n", path, archive.Fingerprint(keys[0]), line)
			return nil
		},
	}
	cmd.Flags().StringVar(&path, "key", defaultKey(), "file of the private key")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}
