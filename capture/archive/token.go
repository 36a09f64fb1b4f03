package archive

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	_ "crypto/sha512" // digests of time stamp authorities
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/asn1"
	"errors"
	"fmt"
	"math/big"
	"path/filepath"
	"time"
)

// A signature says who and that nothing was changed since, not since when. A
// time stamp token of an independent authority (RFC 3161) over the tag manifest
// says that the seal existed at its time. Only what such tokens need of the
// cryptographic message syntax (RFC 5652) is read here.

var (
	oidSignedData    = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 7, 2}
	oidTSTInfo       = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 9, 16, 1, 4}
	oidContentType   = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 9, 3}
	oidMessageDigest = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 9, 4}
	oidSHA256        = asn1.ObjectIdentifier{2, 16, 840, 1, 101, 3, 4, 2, 1}
	oidSHA384        = asn1.ObjectIdentifier{2, 16, 840, 1, 101, 3, 4, 2, 2}
	oidSHA512        = asn1.ObjectIdentifier{2, 16, 840, 1, 101, 3, 4, 2, 3}
)

type messageImprint struct {
	Algorithm pkix.AlgorithmIdentifier
	Hash      []byte
}

type timeStampReq struct {
	Version int
	Imprint messageImprint
	Nonce   *big.Int
	CertReq bool
}

type timeStampResp struct {
	Status struct {
		Status int
		Text   asn1.RawValue  `asn1:"optional,tag:0,class:0"`
		Fail   asn1.BitString `asn1:"optional"`
	}
	Token asn1.RawValue `asn1:"optional"`
}

type contentInfo struct {
	Type    asn1.ObjectIdentifier
	Content asn1.RawValue `asn1:"explicit,tag:0"`
}

type signedData struct {
	Version          int
	DigestAlgorithms []pkix.AlgorithmIdentifier `asn1:"set"`
	Encap            struct {
		Type    asn1.ObjectIdentifier
		Content []byte `asn1:"explicit,tag:0"`
	}
	Certificates asn1.RawValue   `asn1:"optional,tag:0"`
	CRLs         asn1.RawValue   `asn1:"optional,tag:1"`
	Signers      []cmsSignerInfo `asn1:"set"`
}

type cmsSignerInfo struct {
	Version   int
	Issuer    asn1.RawValue
	Digest    pkix.AlgorithmIdentifier
	Signed    asn1.RawValue `asn1:"optional,tag:0"`
	Algorithm pkix.AlgorithmIdentifier
	Signature []byte
	Unsigned  asn1.RawValue `asn1:"optional,tag:1"`
}

type attribute struct {
	Type   asn1.ObjectIdentifier
	Values asn1.RawValue // a set
}

type issuerAndSerial struct {
	Issuer asn1.RawValue
	Serial *big.Int
}

// tstInfo is the start of what an authority signs; accuracy, nonce and others
// that follow are signed as well but not needed.
type tstInfo struct {
	version int
	policy  asn1.ObjectIdentifier
	imprint messageImprint
	serial  *big.Int
	time    asn1.RawValue
}

// TokenRequest makes the request that a time stamp authority answers with a
// token for the tag manifest of a sealed session: DER, to be sent by HTTP POST
// as application/timestamp-query.
func TokenRequest(tagManifest []byte) ([]byte, error) {
	nonce, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 63))
	if err != nil {
		return nil, err
	}
	d := sha256.Sum256(tagManifest)
	return asn1.Marshal(timeStampReq{
		Version: 1,
		Imprint: messageImprint{pkix.AlgorithmIdentifier{Algorithm: oidSHA256, Parameters: asn1.NullRawValue}, d[:]},
		Nonce:   nonce, CertReq: true,
	})
}

// TagManifest returns the tag manifest of a sealed session, which signature and
// time stamp are made over.
func TagManifest(dir string) ([]byte, error) {
	data, err := readAll(OS{}, filepath.Join(dir, tagName), maxManifest)
	if err != nil {
		return nil, fmt.Errorf("%s: not sealed, so there is nothing to stamp: %w", dir, plain(err))
	}
	return data, nil
}

// AddToken checks the authority's answer and puts it beside the tag manifest.
func AddToken(dir string, answer []byte, roots *x509.CertPool) (time.Time, error) {
	data, err := TagManifest(dir)
	if err != nil {
		return time.Time{}, err
	}
	at, err := CheckToken(answer, data, roots)
	if err != nil {
		return time.Time{}, fmt.Errorf("%s: the time stamp was not kept: %w", dir, err)
	}
	return at, plain(writeBytes(OS{}, filepath.Join(dir, tokenName), answer))
}

// CheckToken checks a time stamp answer (RFC 3161 TimeStampResp, or the token in
// it) over data and returns its time. With roots, the authority's certificate
// must lead to one of them at that time.
func CheckToken(answer, data []byte, roots *x509.CertPool) (time.Time, error) {
	fail := func(format string, args ...any) (time.Time, error) {
		return time.Time{}, fmt.Errorf("the time stamp does not hold: "+format, args...)
	}
	token := answer
	var resp timeStampResp
	if _, err := asn1.Unmarshal(answer, &resp); err == nil {
		if resp.Status.Status > 1 {
			return fail("the authority refused it, status %d", resp.Status.Status)
		}
		token = resp.Token.FullBytes
	}
	var ci contentInfo
	var sd signedData
	if _, err := asn1.Unmarshal(token, &ci); err != nil || !ci.Type.Equal(oidSignedData) {
		return fail("expected an answer of a time stamp authority by RFC 3161")
	}
	if rest, err := asn1.Unmarshal(ci.Content.Bytes, &sd); err != nil || len(rest) > 0 || !sd.Encap.Type.Equal(oidTSTInfo) || len(sd.Signers) != 1 {
		return fail("expected signed time stamp information with one signer")
	}
	info, err := parseTSTInfo(sd.Encap.Content)
	if err != nil {
		return fail("its information cannot be read")
	}
	hash := hashOf(info.imprint.Algorithm.Algorithm)
	if hash == 0 {
		return fail("it uses the digest %v; expected SHA-256, SHA-384 or SHA-512", info.imprint.Algorithm.Algorithm)
	}
	h := hash.New()
	h.Write(data)
	if !bytes.Equal(h.Sum(nil), info.imprint.Hash) {
		return fail("it was made over something else, or the session was changed since")
	}
	at, err := time.Parse("20060102150405.999999999Z07:00", string(info.time.Bytes))
	if err != nil || info.time.Tag != asn1.TagGeneralizedTime {
		return fail("its time cannot be read: %q", clip(string(info.time.Bytes)))
	}
	certs, err := x509.ParseCertificates(sd.Certificates.Bytes)
	if err != nil || len(certs) == 0 || len(certs) > 32 {
		return fail("it carries no certificate of its authority")
	}
	signer, err := checkSigner(sd.Signers[0], sd.Encap.Content, certs)
	if err != nil {
		return fail("%w", err)
	}
	if roots != nil {
		between := x509.NewCertPool()
		for _, c := range certs {
			between.AddCert(c)
		}
		_, err := signer.Verify(x509.VerifyOptions{Roots: roots, Intermediates: between, CurrentTime: at, KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageTimeStamping}})
		if err != nil {
			return fail("its issuer is none of the trusted ones: %w", err)
		}
	}
	return at, nil
}

// parseTSTInfo reads the start of the signed information.
func parseTSTInfo(der []byte) (info tstInfo, err error) {
	var seq asn1.RawValue
	if rest, err := asn1.Unmarshal(der, &seq); err != nil || len(rest) > 0 || seq.Tag != asn1.TagSequence {
		return info, errors.New("expected a sequence")
	}
	p := seq.Bytes
	for _, member := range []any{&info.version, &info.policy, &info.imprint, &info.serial, &info.time} {
		if p, err = asn1.Unmarshal(p, member); err != nil {
			return info, err
		}
	}
	return info, nil
}

// checkSigner checks the signature over content and returns its certificate.
func checkSigner(si cmsSignerInfo, content []byte, certs []*x509.Certificate) (*x509.Certificate, error) {
	var cert *x509.Certificate
	var is issuerAndSerial
	if _, err := asn1.Unmarshal(si.Issuer.FullBytes, &is); err == nil && is.Serial != nil {
		for _, c := range certs {
			if bytes.Equal(c.RawIssuer, is.Issuer.FullBytes) && c.SerialNumber.Cmp(is.Serial) == 0 {
				cert = c
			}
		}
	} else {
		for _, c := range certs { // by subject key identifier
			if len(c.SubjectKeyId) > 0 && bytes.Equal(c.SubjectKeyId, si.Issuer.Bytes) {
				cert = c
			}
		}
	}
	if cert == nil {
		return nil, errors.New("its signer's certificate is not with it")
	}
	usable := false
	for _, u := range cert.ExtKeyUsage {
		usable = usable || u == x509.ExtKeyUsageTimeStamping
	}
	if !usable {
		return nil, errors.New("its signer's certificate is not for time stamps")
	}
	hash := hashOf(si.Digest.Algorithm)
	if hash == 0 {
		return nil, fmt.Errorf("it is signed with the digest %v; expected SHA-256, SHA-384 or SHA-512", si.Digest.Algorithm)
	}
	if len(si.Signed.Bytes) == 0 {
		return nil, errors.New("it has no signed attributes")
	}
	h := hash.New()
	h.Write(content)
	digest := h.Sum(nil)
	typed, matched := false, false
	for p := si.Signed.Bytes; len(p) > 0; {
		var a attribute
		var err error
		if p, err = asn1.Unmarshal(p, &a); err != nil {
			return nil, errors.New("its signed attributes cannot be read")
		}
		switch {
		case a.Type.Equal(oidContentType):
			var oid asn1.ObjectIdentifier
			_, err = asn1.Unmarshal(a.Values.Bytes, &oid)
			typed = err == nil && oid.Equal(oidTSTInfo)
		case a.Type.Equal(oidMessageDigest):
			var d []byte
			_, err = asn1.Unmarshal(a.Values.Bytes, &d)
			matched = err == nil && bytes.Equal(d, digest)
		}
	}
	if !typed || !matched {
		return nil, errors.New("its signature is over something else")
	}
	// The signature covers the attributes written as a set (RFC 5652 section 5.4).
	signed := append([]byte{0x31}, si.Signed.FullBytes[1:]...)
	if err := checkSignature(cert, hash, signed, si.Signature); err != nil {
		return nil, errors.New("its signature is wrong")
	}
	return cert, nil
}

func checkSignature(cert *x509.Certificate, hash crypto.Hash, signed, sig []byte) error {
	h := hash.New()
	h.Write(signed)
	d := h.Sum(nil)
	ok := false
	switch key := cert.PublicKey.(type) {
	case *rsa.PublicKey:
		ok = rsa.VerifyPKCS1v15(key, hash, d, sig) == nil || rsa.VerifyPSS(key, hash, d, sig, nil) == nil
	case *ecdsa.PublicKey:
		ok = ecdsa.VerifyASN1(key, d, sig)
	case ed25519.PublicKey:
		ok = ed25519.Verify(key, signed, sig)
	}
	if !ok {
		return errors.New("wrong signature")
	}
	return nil
}

func hashOf(oid asn1.ObjectIdentifier) crypto.Hash {
	switch {
	case oid.Equal(oidSHA256):
		return crypto.SHA256
	case oid.Equal(oidSHA384):
		return crypto.SHA384
	case oid.Equal(oidSHA512):
		return crypto.SHA512
	}
	return 0
}
