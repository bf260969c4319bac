package config_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/link"
)

// pemPair makes a certificate that signs itself, and its key.
func pemPair(t *testing.T, from, until time.Time) (certificate, key []byte) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test"}, NotBefore: from, NotAfter: until}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &k.PublicKey, k)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER})
}

// tlsFiles are the files of a controller that is spoken to over TLS.
type tlsFiles struct {
	dir string
	t   *testing.T
}

func (f *tlsFiles) put(name string, data []byte, mode os.FileMode) {
	f.t.Helper()
	path := filepath.Join(f.dir, name)
	if err := os.WriteFile(path, data, 0o600); err != nil {
		f.t.Fatal(err)
	}
	if err := os.Chmod(path, mode); err != nil { // whatever the mask of the process
		f.t.Fatal(err)
	}
}

func (f *tlsFiles) source() config.Source {
	return config.Source{Path: "mill.yaml", Bytes: []byte(sparse), Set: map[string]string{
		"lines.0.controller.protocol":        "modbus-tls",
		"lines.0.controller.plain":           "false",
		"lines.0.controller.tls.authorities": filepath.Join(f.dir, "authority.pem"),
		"lines.0.controller.tls.certificate": filepath.Join(f.dir, "gateway.pem"),
		"lines.0.controller.tls.key":         filepath.Join(f.dir, "gateway.key"),
	}}
}

func newTLSFiles(t *testing.T, until time.Time) *tlsFiles {
	f := &tlsFiles{t.TempDir(), t}
	cert, key := pemPair(t, time.Now().Add(-time.Hour), until)
	f.put("authority.pem", cert, 0o644)
	f.put("gateway.pem", cert, 0o644)
	f.put("gateway.key", key, 0o600)
	return f
}

func TestTLSFiles(t *testing.T) {
	year := time.Now().Add(365 * 24 * time.Hour)
	cert, key := pemPair(t, time.Now().Add(-time.Hour), year)
	for _, tt := range []struct {
		name   string
		change func(f *tlsFiles)
		want   []string // problems; none for a configuration that is taken
	}{
		{"as it should be", func(*tlsFiles) {}, nil},
		{"stricter modes", func(f *tlsFiles) { f.put("gateway.key", key, 0o400); f.put("gateway.pem", cert, 0o400) }, nil},
		{"key that the group reads", func(f *tlsFiles) { f.put("gateway.key", key, 0o640); f.put("gateway.pem", cert, 0o644) },
			[]string{"tls.key: file open to others", "mode 0640", "chmod 600"}},
		{"authorities that all may write", func(f *tlsFiles) { f.put("authority.pem", cert, 0o666) },
			[]string{"tls.authorities: file open to others", "mode 0666"}},
		{"key of another certificate", func(f *tlsFiles) { f.put("gateway.key", key, 0o600) }, []string{"tls.key: key does not go with the certificate"}},
		{"no certificates", func(f *tlsFiles) { f.put("authority.pem", key, 0o644); f.put("gateway.pem", []byte("hello"), 0o644) },
			[]string{"tls.authorities: no certificate in the file", "tls.certificate: no certificate in the file"}},
		{"nothing there", func(f *tlsFiles) { f.dir = filepath.Join(f.dir, "nowhere") },
			[]string{"tls.authorities: cannot read the file", "tls.certificate: cannot read the file", "tls.key: cannot read the file"}},
		{"a folder", func(f *tlsFiles) {
			if err := errors.Join(os.Remove(filepath.Join(f.dir, "gateway.key")), os.Mkdir(filepath.Join(f.dir, "gateway.key"), 0o700)); err != nil {
				t.Fatal(err)
			}
		}, []string{"is a directory"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := newTLSFiles(t, year)
			tt.change(f)
			s, err := config.Load(f.source())
			if len(tt.want) == 0 {
				if err != nil || len(doubts(s)) > 0 {
					t.Fatalf("got %v", err)
				}
				if m, err := s.Lines[0].Controller.TLS.Read(); err != nil || len(m.Authorities) == 0 || len(m.Certificate) == 0 || len(m.Key) == 0 {
					t.Errorf("read: %v", err)
				}
				return
			}
			if err == nil {
				t.Fatal("accepted")
			}
			for _, want := range tt.want {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("%q lacks %q", err, want)
				}
			}
			if strings.Contains(err.Error(), "PRIVATE") {
				t.Errorf("the text shows the key: %v", err)
			}
		})
	}
}

func TestExpiryIsWarnedAhead(t *testing.T) {
	day := 24 * time.Hour
	for _, tt := range []struct {
		left time.Duration
		text string // of the warnings
	}{
		{link.ExpiryNotice + day, ""},
		{link.ExpiryNotice - day, "certificate ends soon"},
		{-time.Minute, "certificate has ended"},
	} {
		s, err := config.Load(newTLSFiles(t, time.Now().Add(tt.left)).source())
		if err != nil {
			t.Fatal(err) // an end is no reason to stop the other lines
		}
		want := map[bool]int{true: 0, false: 2}[tt.text == ""] // of authority and gateway
		found := doubts(s)
		if len(found) != want {
			t.Errorf("%v left: %d warnings, want %d: %v", tt.left, len(found), want, found)
		}
		for _, w := range found {
			if w.Text != tt.text || !strings.Contains(w.Key, "controller.tls.") {
				t.Errorf("%v left: %s", tt.left, w)
			}
		}
	}
}
