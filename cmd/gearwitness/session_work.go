package main

import (
	"context"
	"errors"
	"io"

	"gearwitness/capture/archive"
	"gearwitness/dashboards"
	"gearwitness/decode/compare"
)

// sessionWork is what the page does with the sessions of an archive: the same as
// the commands below `gearwitness sessions`.
func sessionWork(root string) *dashboards.Sessions {
	return &dashboards.Sessions{
		Folder: root,
		Facts:  factsOf,
		Report: func(ctx context.Context, folder string, redact bool, to io.Writer, tell func(string)) error {
			r, err := reportOf(ctx, folder, "", redact, &progress{tell: tell})
			if err != nil {
				return err
			}
			return r.Write(to)
		},
		Verify: func(ctx context.Context, folder string, tell func(string)) (*dashboards.SessionVerdict, error) {
			v, _, err := verifyFolder(ctx, folder, archive.VerifyOptions{}, true, &progress{tell: tell})
			return v, err
		},
		Seal: func(ctx context.Context, folder string, unsigned bool, tell func(string)) (*dashboards.SessionSeal, error) {
			signer, err := signerFor(defaultKey(), false, unsigned)
			if errors.Is(err, errNoKey) {
				err = errors.New("there is no key to sign with, and a sealed session is not signed afterwards: the command gearwitness key new makes one, in a terminal; or choose to seal without a signature")
			}
			if err != nil {
				return nil, err
			}
			done, err := sealFolder(ctx, folder, signer, &progress{tell: tell})
			if err != nil {
				return nil, err
			}
			return &dashboards.SessionSeal{Already: done.Already, Digest: done.Digest, Signer: done.Signer, Files: done.Files, Bytes: done.Bytes,
				Damage: append([]string{}, done.Damage...)}, nil
		},
		Shifts: func(ctx context.Context, folder string, tell func(string)) (compare.Past, error) {
			return shiftsOf(ctx, folder, "", &progress{tell: tell})
		},
		Play: playBeside,
	}
}
