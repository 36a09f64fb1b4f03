package main

import (
	"crypto/x509"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"gearwitness/capture/archive"
)

func newSessionsStamp() *cobra.Command {
	var o stampOptions
	cmd := &cobra.Command{
		Use:   "stamp SESSION (--request FILE | --answer FILE)",
		Short: "Add a time stamp of an authority to a sealed session",
		Long: `A signature proves who sealed and that nothing was changed, not when. A time stamp
authority (RFC 3161) can: it signs the digest of the seal and the time. stamp goes
over no network; you send the request yourself:

  gearwitness sessions stamp SESSION --request seal.tsq
  curl -H 'Content-Type: application/timestamp-query' --data-binary @seal.tsq -o seal.tsr ADDRESS
  gearwitness sessions stamp SESSION --answer seal.tsr

The answer is checked and kept beside the seal; verify checks it again.

Exit status: 0 done, 2 used wrong, 3 failed, as where the answer does not hold.`,
		Args: argument("SESSION", "a sealed session's folder, or its name"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.session = args[0]
			return o.run(cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.request, "request", "", "write the request for the authority to this file")
	f.StringVar(&o.answer, "answer", "", "keep the authority's answer in this file")
	f.StringVar(&o.issuers, "issuers", "", "certificates of trusted authorities, PEM; without it the answer's own count")
	archiveFlag(cmd, &o.archive)
	return cmd
}

type stampOptions struct {
	session, request, answer, issuers, archive string
}

func (o *stampOptions) run(stdout io.Writer) error {
	if (o.request == "") == (o.answer == "") {
		return usagef("give either --request FILE or --answer FILE")
	}
	folder, err := findSession(o.archive, o.session)
	if err != nil {
		return err
	}
	if o.request != "" {
		return o.ask(folder, stdout)
	}
	roots, err := loadIssuers(o.issuers)
	if err != nil {
		return err
	}
	answer, err := readSmall(o.answer)
	if err != nil {
		return err
	}
	at, err := archive.AddToken(folder, answer, roots)
	if err != nil {
		return err
	}
	fmt.Fprintf(stdout, "Time stamp: the seal existed at %s.\n", at.UTC().Format(time.RFC3339))
	return nil
}

func (o *stampOptions) ask(folder string, stdout io.Writer) error {
	tags, err := archive.TagManifest(folder)
	if err != nil {
		return err
	}
	query, err := archive.TokenRequest(tags)
	if err != nil {
		return err
	}
	out, err := createOutput(o.request, stdout)
	if err != nil {
		return err
	}
	defer out.discard()
	if _, err := out.Write(query); err != nil {
		return err
	}
	return out.commit()
}

// loadIssuers reads the certificates of trusted time stamp authorities; nil
// where none are named.
func loadIssuers(path string) (*x509.CertPool, error) {
	if path == "" {
		return nil, nil
	}
	pem, err := readSmall(path)
	if err != nil {
		return nil, err
	}
	roots := x509.NewCertPool()
	if !roots.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("%s: expected certificates in PEM, found none", path)
	}
	return roots, nil
}

// maxSmall bounds answers and certificates.
const maxSmall = 4 << 20

func readSmall(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", path, plainFileError(err))
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxSmall+1))
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", path, plainFileError(err))
	}
	if len(data) > maxSmall {
		return nil, fmt.Errorf("%s: larger than the %s expected of such a file", path, sizeText(maxSmall))
	}
	return data, nil
}
