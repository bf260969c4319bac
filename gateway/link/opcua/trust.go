package opcua

import (
	"bytes"
	"crypto/rsa"
	"crypto/sha1" // OPC UA names certificates by SHA-1; nothing is proved by it
	"crypto/sha256"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"lapgate/gateway/link"
)

// Certificate is what people compare of a certificate.
type Certificate struct {
	Fingerprint    string // SHA-256 of the whole, in hexadecimal
	Thumbprint     string // SHA-1 of the whole, by which OPC UA tools name it
	Subject        string
	Issuer         string
	ApplicationURI string
	Hosts          []string // names and addresses for which it is valid
	KeyBits        int      // of an RSA key, else 0
	NotBefore      time.Time
	NotAfter       time.Time
	File           string // where it is kept, if it is
	DER            []byte
}

func certificateOf(c *x509.Certificate, file string) Certificate {
	sum := sha256.Sum256(c.Raw)
	thumb := sha1.Sum(c.Raw)
	out := Certificate{
		Fingerprint: hex.EncodeToString(sum[:]), Thumbprint: hex.EncodeToString(thumb[:]),
		Subject: c.Subject.String(), Issuer: c.Issuer.String(),
		Hosts:     append([]string(nil), c.DNSNames...),
		NotBefore: c.NotBefore, NotAfter: c.NotAfter, File: file, DER: c.Raw,
	}
	for _, ip := range c.IPAddresses {
		out.Hosts = append(out.Hosts, ip.String())
	}
	if len(c.URIs) > 0 {
		out.ApplicationURI = c.URIs[0].String()
	}
	if k, ok := c.PublicKey.(*rsa.PublicKey); ok {
		out.KeyBits = k.Size() * 8
	}
	return out
}

// ReadCertificate describes the first certificate of a file, PEM or DER.
func ReadCertificate(path string) (Certificate, error) {
	c, err := readCertificate(path)
	if err != nil {
		return Certificate{}, err
	}
	return certificateOf(c, path), nil
}

// ValidAt tells what is wrong with the validity at a time; empty when nothing.
func (c *Certificate) ValidAt(now time.Time) string {
	switch {
	case now.Before(c.NotBefore):
		return "not valid before " + c.NotBefore.UTC().Format(time.DateOnly)
	case now.After(c.NotAfter):
		return "expired on " + c.NotAfter.UTC().Format(time.DateOnly)
	}
	return ""
}

// EndsSoon tells whether a certificate that is valid should be renewed.
func (c *Certificate) EndsSoon(now time.Time) bool {
	return c.NotAfter.Sub(now) < link.ExpiryNotice
}

// TrustList is the folder of the server certificates that were accepted. A
// certificate is trusted when it is there itself, byte by byte: no authority
// can vouch for another, and nothing is trusted on first use.
type TrustList struct{ Folder string }

// trustFiles are the endings of files that are read.
func trustFiles() []string { return []string{".der", ".crt", ".cer", ".pem"} }

// List returns the trusted certificates by file name. Files that are no
// certificates are named in the error; the others are returned beside it.
func (t TrustList) List() ([]Certificate, error) {
	folder := filepath.Join(t.Folder, trustedFolder)
	entries, err := os.ReadDir(folder)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var out []Certificate
	var bad []error
	for _, e := range entries {
		if e.IsDir() || !slices.Contains(trustFiles(), strings.ToLower(filepath.Ext(e.Name()))) {
			continue
		}
		c, err := ReadCertificate(filepath.Join(folder, e.Name()))
		if err != nil {
			bad = append(bad, err)
			continue
		}
		out = append(out, c)
	}
	return out, errors.Join(bad...)
}

// trusts tells whether a certificate is in the list.
func (t TrustList) trusts(der []byte) (bool, error) {
	list, err := t.List()
	return slices.ContainsFunc(list, func(c Certificate) bool { return bytes.Equal(c.DER, der) }), err
}

// ErrFingerprint is the refusal to accept a certificate that is not the one
// that was meant.
var ErrFingerprint = errors.New("fingerprint does not match")

// Accept puts a certificate into the list, and returns its file. The
// fingerprint must be the whole SHA-256 of it, as a person compared it at the
// server; colons, blanks and case do not matter.
func (t TrustList) Accept(der []byte, fingerprint string) (string, error) {
	parsed, err := parseCertificate("certificate", der)
	if err != nil {
		return "", err
	}
	c := certificateOf(parsed, "")
	given := strings.ToLower(strings.NewReplacer(":", "", " ", "", "-", "").Replace(fingerprint))
	if given != c.Fingerprint {
		return "", fmt.Errorf("%w: the certificate has %s, given was %q; compare it at the server itself before accepting", ErrFingerprint, c.Fingerprint, fingerprint)
	}
	folder := filepath.Join(t.Folder, trustedFolder)
	if err := os.MkdirAll(folder, 0o750); err != nil {
		return "", err
	}
	path := filepath.Join(folder, c.Fingerprint+".der")
	tmp, err := os.CreateTemp(folder, ".accept-")
	if err != nil {
		return "", err
	}
	defer func() { _ = os.Remove(tmp.Name()) }() // gone already when it has its name
	_, err = tmp.Write(c.DER)
	if err = errors.Join(err, tmp.Sync(), tmp.Close()); err != nil {
		return "", err
	}
	return path, os.Rename(tmp.Name(), path)
}
