package opcua

import (
	"bytes"
	"crypto/rsa"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime"
)

// Secret is text that is never shown: printing it, in whatever way, gives ***.
type Secret string

const hidden = "***"

// String returns ***.
func (Secret) String() string { return hidden }

// GoString returns ***.
func (Secret) GoString() string { return hidden }

// MarshalText returns ***.
func (Secret) MarshalText() ([]byte, error) { return []byte(hidden), nil }

// maxSecret bounds a file that holds a secret, in bytes.
const maxSecret = 64 << 10

// readPrivate reads a file that nobody but its owner may read or write.
func readPrivate(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("secret file: %w", err)
	}
	defer func() { _ = f.Close() }() // only read
	info, err := f.Stat()
	if err != nil {
		return nil, fmt.Errorf("secret file: %w", err)
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("secret file %s is not a regular file", path)
	}
	if err := private(path, info.Mode()); err != nil {
		return nil, err
	}
	data, err := io.ReadAll(io.LimitReader(f, maxSecret+1))
	if err != nil {
		return nil, fmt.Errorf("secret file: %w", err)
	}
	if len(data) > maxSecret {
		return nil, fmt.Errorf("secret file %s has more than %d bytes", path, maxSecret)
	}
	return data, nil
}

// private refuses permissions for anybody but the owner. Windows keeps its
// access lists elsewhere, and shows made-up permissions here.
func private(path string, mode fs.FileMode) error {
	if runtime.GOOS != "windows" && mode.Perm()&0o077 != 0 {
		return fmt.Errorf("secret file %s has mode %04o, want 0600 or stricter: chmod 600 %s, and consider the secret as known", path, mode.Perm(), path)
	}
	return nil
}

// ParseUser makes a user of a certificate and its RSA key, each PEM or DER, the
// key unencrypted, PKCS#1 or PKCS#8.
func ParseUser(certificate, key []byte) (User, error) {
	cert, err := parseCertificate("user certificate", certificate)
	if err != nil {
		return User{}, err
	}
	u := User{Certificate: cert.Raw}
	if u.Key, err = parseKey("user key", key); err != nil {
		return User{}, err
	}
	return u, errors.Join(u.check()...)
}

// readCertificate reads the first certificate of a file, PEM or DER.
func readCertificate(path string) (*x509.Certificate, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return parseCertificate(path, data)
}

func parseCertificate(name string, data []byte) (*x509.Certificate, error) {
	if b, _ := pem.Decode(data); b != nil {
		if b.Type != "CERTIFICATE" {
			return nil, fmt.Errorf("%s begins with a %s, want a CERTIFICATE", name, b.Type)
		}
		data = b.Bytes
	}
	certs, err := x509.ParseCertificates(bytes.TrimSpace(data))
	if err != nil {
		if certs, err = x509.ParseCertificates(data); err != nil {
			return nil, fmt.Errorf("%s is no certificate in DER or PEM form: %w", name, err)
		}
	}
	if len(certs) == 0 {
		return nil, fmt.Errorf("%s is empty, want a certificate", name)
	}
	return certs[0], nil
}

// readKey reads an RSA key, PEM or DER.
func readKey(path string) (*rsa.PrivateKey, error) {
	data, err := readPrivate(path)
	if err != nil {
		return nil, err
	}
	return parseKey(path, data)
}

func parseKey(name string, data []byte) (*rsa.PrivateKey, error) {
	if b, _ := pem.Decode(data); b != nil {
		data = b.Bytes
	}
	if key, err := x509.ParsePKCS1PrivateKey(data); err == nil {
		return key, nil
	}
	// The cause is left out: it could tell of what the file holds.
	parsed, err := x509.ParsePKCS8PrivateKey(data)
	if err != nil {
		return nil, fmt.Errorf("%s holds no unencrypted key in PKCS#1 or PKCS#8 form", name)
	}
	key, ok := parsed.(*rsa.PrivateKey)
	if !ok {
		return nil, fmt.Errorf("%s holds a key that is not RSA, which OPC UA needs", name)
	}
	return key, nil
}
