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
	"time"
)

// The files below the folder of certificates.
const (
	ownFolder     = "own"
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
	key, err := rsa.GenerateKey(rand.Reader, keyBits)
	if err != nil {
		return err
	}
	host, err := os.Hostname()
	if err != nil {
		return err
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127))
	if err != nil {
		return err
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
		return err
	}
	if err := os.MkdirAll(folder, 0o750); err != nil {
		return err
	}
	tmp, err := os.MkdirTemp(folder, "."+ownFolder+"-") // mode 0700
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(tmp) }() // gone already when it has its name
	text := pem.EncodeToMemory(&pem.Block{Type: "RSA PRIVATE KEY", Bytes: x509.MarshalPKCS1PrivateKey(key)})
	if err := os.WriteFile(filepath.Join(tmp, ownKey), text, 0o600); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(tmp, ownCert), der, 0o644); err != nil {
		return err
	}
	err = os.Rename(tmp, filepath.Join(folder, ownFolder))
	if errors.Is(err, fs.ErrExist) {
		return nil
	}
	return err
}
