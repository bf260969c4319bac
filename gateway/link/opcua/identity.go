package opcua

import (
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// The files below the folder of certificates.
const (
	ownFolder     = "own"
	beforeFolder  = "own-" // and letters of the fingerprint: identities before the present one
	trustedFolder = "trusted"
	ownCert       = "certificate.der"
	ownKey        = "key.pem"
)

// The certificate of the gateway is made for five years: long enough that
// nobody has to accept a new one at every controller each year.
const (
	keyBits   = 2048
	validFor  = 5 * 365 * 24 * time.Hour
	clockBack = 24 * time.Hour // a controller whose clock is behind still finds it valid
)

// identity is the certificate of this gateway and its key.
type identity struct {
	cert *x509.Certificate
	key  *rsa.PrivateKey
}

// uri is the application URI, which stands in the certificate.
func (i *identity) uri() string {
	if len(i.cert.URIs) == 0 {
		return ""
	}
	return i.cert.URIs[0].String()
}

// OwnCertificate returns the certificate of the gateway. It is made, with its
// key, when there is none yet, and kept from then on: the controllers know the
// gateway by it.
func OwnCertificate(folder string) (Certificate, error) {
	i, err := ownIdentity(folder)
	if err != nil {
		return Certificate{}, err
	}
	return certificateOf(i.cert, filepath.Join(folder, ownFolder, ownCert)), nil
}

// RenewOwn makes a new certificate of the gateway with a new key, and keeps the one
// before beside it. A running daemon takes it with its next connection, and goes on
// with the one before at a server that does not trust the new one yet.
func RenewOwn(folder string, now time.Time) (Certificate, error) {
	before, err := ownIdentity(folder)
	if err != nil {
		return Certificate{}, err
	}
	made, err := writeIdentity(folder, now)
	if err != nil {
		return Certificate{}, fmt.Errorf("making the certificate of the gateway: %w", err)
	}
	defer func() { _ = os.RemoveAll(made) }() // gone already when it has its name
	const letters = 16
	own := filepath.Join(folder, ownFolder)
	if err := os.Rename(own, filepath.Join(folder, beforeFolder+certificateOf(before.cert, "").Fingerprint[:letters])); err != nil {
		return Certificate{}, err
	}
	// A daemon that connects in between may make one of its own: that is as new.
	if err := os.Rename(made, own); err != nil && !errors.Is(err, fs.ErrExist) {
		return Certificate{}, err
	}
	return OwnCertificate(folder)
}

// formerIdentities are the identities before the present one that are valid, the
// newest first. One that cannot be read is left out: it is none to fall back to.
func formerIdentities(folder string, now time.Time) (out []*identity) {
	entries, err := os.ReadDir(folder)
	if err != nil {
		return nil
	}
	for _, e := range entries {
		if !e.IsDir() || !strings.HasPrefix(e.Name(), beforeFolder) {
			continue
		}
		i, err := loadPair(filepath.Join(folder, e.Name()))
		if err != nil {
			continue
		}
		if c := certificateOf(i.cert, ""); c.ValidAt(now) == "" {
			out = append(out, i)
		}
	}
	slices.SortFunc(out, func(a, b *identity) int { return b.cert.NotBefore.Compare(a.cert.NotBefore) })
	return out
}

func ownIdentity(folder string) (*identity, error) {
	i, err := loadIdentity(folder)
	if !errors.Is(err, fs.ErrNotExist) {
		return i, err
	}
	if err := makeIdentity(folder, time.Now()); err != nil {
		return nil, fmt.Errorf("making the certificate of the gateway: %w", err)
	}
	return loadIdentity(folder)
}

// loadIdentity returns an error that is fs.ErrNotExist only when there is
// neither certificate nor key.
func loadIdentity(folder string) (*identity, error) {
	own := filepath.Join(folder, ownFolder)
	if _, err := os.Stat(own); err != nil {
		return nil, err
	}
	return loadPair(own)
}

// loadPair reads certificate and key of one folder.
func loadPair(own string) (*identity, error) {
	cert, err := readCertificate(filepath.Join(own, ownCert))
	if err != nil {
		return nil, fmt.Errorf("certificate of the gateway: %w; put it back, or move %s away to have a new one made", hide(err), own)
	}
	key, err := readKey(filepath.Join(own, ownKey))
	if err != nil {
		return nil, fmt.Errorf("key of the gateway: %w; put it back, or move %s away to have a new one made", hide(err), own)
	}
	public, ok := cert.PublicKey.(*rsa.PublicKey)
	if !ok || !public.Equal(key.Public()) {
		return nil, fmt.Errorf("certificate and key in %s do not belong together; put the right ones back, or move the folder away", own)
	}
	if len(cert.URIs) == 0 {
		return nil, fmt.Errorf("certificate in %s names no application URI, which OPC UA needs", own)
	}
	return &identity{cert, key}, nil
}

// hide keeps the text of an error and drops its identity, so that a missing half
// of the pair is not taken for a missing pair.
func hide(err error) error { return errors.New(err.Error()) }

// makeIdentity makes both files in a folder of its own, which gets its final name
// at the end: there is never half a pair, and of several processes the first
// wins.
func makeIdentity(folder string, now time.Time) error {
	tmp, err := writeIdentity(folder, now)
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(tmp) }() // gone already when it has its name
	err = os.Rename(tmp, filepath.Join(folder, ownFolder))
	if errors.Is(err, fs.ErrExist) {
		return nil
	}
	return err
}

// writeIdentity makes both files in a folder that has no final name yet.
func writeIdentity(folder string, now time.Time) (tmp string, err error) {
	key, err := rsa.GenerateKey(rand.Reader, keyBits)
	if err != nil {
		return "", err
	}
	host, err := os.Hostname()
	if err != nil {
		return "", err
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127))
	if err != nil {
		return "", err
	}
	template := &x509.Certificate{
		SerialNumber:          serial,
		Subject:               pkix.Name{CommonName: "lapgate at " + host},
		URIs:                  []*url.URL{{Scheme: "urn", Opaque: url.PathEscape(host) + ":lapgate"}},
		DNSNames:              []string{host},
		NotBefore:             now.Add(-clockBack),
		NotAfter:              now.Add(validFor),
		KeyUsage:              x509.KeyUsageDigitalSignature | x509.KeyUsageContentCommitment | x509.KeyUsageKeyEncipherment | x509.KeyUsageDataEncipherment | x509.KeyUsageCertSign,
		ExtKeyUsage:           []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
		BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		return "", err
	}
	if err := os.MkdirAll(folder, 0o750); err != nil {
		return "", err
	}
	if tmp, err = os.MkdirTemp(folder, "."+ownFolder+"-"); err != nil { // mode 0700
		return "", err
	}
	text := pem.EncodeToMemory(&pem.Block{Type: "RSA PRIVATE KEY", Bytes: x509.MarshalPKCS1PrivateKey(key)})
	err = os.WriteFile(filepath.Join(tmp, ownKey), text, 0o600)
	if err == nil {
		err = os.WriteFile(filepath.Join(tmp, ownCert), der, 0o644)
	}
	if err != nil {
		return "", errors.Join(err, os.RemoveAll(tmp))
	}
	return tmp, nil
}
