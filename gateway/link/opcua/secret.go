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
	"strings"
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

// The places from which a secret is read.
const (
	fromFile = "file:"
	fromEnv  = "env:"
)

// ReadSecret reads a secret from where source says: file:PATH, a file that
// nobody but its owner may touch, or env:NAME, a variable of the environment
// that lookup finds. One line break at the end is cut off. The error never
// holds the secret.
func ReadSecret(source string, lookup func(string) (string, bool)) (Secret, error) {
	if path, ok := strings.CutPrefix(source, fromFile); ok {
		data, err := readPrivate(path)
		if err != nil {
			return "", err
		}
		text := strings.TrimSuffix(strings.TrimSuffix(string(data), "\n"), "\r")
		if text == "" {
			return "", fmt.Errorf("secret file %s is empty", path)
		}
		return Secret(text), nil
	}
	if name, ok := strings.CutPrefix(source, fromEnv); ok {
		text, found := lookup(name)
		if !found || text == "" {
			return "", fmt.Errorf("secret: the environment has no variable %s, or it is empty", name)
		}
		return Secret(text), nil
	}
	// The source itself may be the secret, put there by mistake.
	return "", errors.New("secret: want file:PATH or env:NAME; the secret itself is never written into a configuration")
}

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

// ReadUser reads the certificate of a user from certFile and its RSA key from
// keyFile, which nobody but its owner may touch. Both are PEM or DER; the key
// is unencrypted, PKCS#1 or PKCS#8.
func ReadUser(certFile, keyFile string) (User, error) {
	cert, err := readCertificate(certFile)
	if err != nil {
		return User{}, fmt.Errorf("user certificate: %w", err)
	}
	key, err := readKey(keyFile)
	if err != nil {
		return User{}, fmt.Errorf("user key: %w", err)
	}
	u := User{Certificate: cert.Raw, Key: key}
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
	if b, _ := pem.Decode(data); b != nil {
		data = b.Bytes
	}
	if key, err := x509.ParsePKCS1PrivateKey(data); err == nil {
		return key, nil
	}
	// The cause is left out: it could tell of what the file holds.
	parsed, err := x509.ParsePKCS8PrivateKey(data)
	if err != nil {
		return nil, fmt.Errorf("%s holds no unencrypted key in PKCS#1 or PKCS#8 form", path)
	}
	key, ok := parsed.(*rsa.PrivateKey)
	if !ok {
		return nil, fmt.Errorf("%s holds a key that is not RSA, which OPC UA needs", path)
	}
	return key, nil
}
