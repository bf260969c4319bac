package connect

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"math/big"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/config"
)

// issue makes a certificate of an application with its key, in PEM form.
func issue(t *testing.T, application string, ends time.Time) (cert, key []byte) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), URIs: []*url.URL{{Scheme: "urn", Opaque: application}}, NotBefore: ends.Add(-time.Hour), NotAfter: ends}
	der, err := x509.CreateCertificate(rand.Reader, template, template, private.Public(), private)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})
}

func write(t *testing.T, path string, data []byte) string {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// A server whose new certificate was accepted is not told of by its old one.
func TestCertificateEnds(t *testing.T) {
	folder := t.TempDir()
	now := time.Now().Truncate(time.Second)
	put := func(name, application string, ends time.Time) []byte {
		cert, _ := issue(t, application, ends)
		write(t, filepath.Join(folder, "pki", "trusted", name+".pem"), cert)
		return cert
	}
	put("old", "press", now.Add(time.Hour))
	put("new", "press", now.Add(1000*time.Hour))
	put("other", "crane", now.Add(100*time.Hour))
	l, err := opcuaLine(map[string]string{"opcua.certificates": filepath.Join(folder, "pki")})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, c := range CertificateEnds(l) {
		name, _, _ := strings.Cut(c.Name, "-")
		got = append(got, name+" "+c.Ends.Sub(now).Round(time.Hour).String())
	}
	if text := strings.Join(got, ", "); text != "own 43800h0m0s, trusted 1000h0m0s, trusted 100h0m0s" && text != "own 43800h0m0s, trusted 100h0m0s, trusted 1000h0m0s" {
		t.Errorf("got %s", text)
	}

	cert, key := issue(t, "lapgate", now.Add(5*time.Hour))
	authority, _ := issue(t, "authority", now.Add(50*time.Hour))
	first, _ := issue(t, "another", now.Add(40*time.Hour))
	tls := config.Line{Controller: config.Controller{Protocol: config.ModbusTLS, TLS: config.TLS{
		Certificate: write(t, filepath.Join(folder, "own.pem"), cert), Key: write(t, filepath.Join(folder, "key.pem"), key),
		Authorities: write(t, filepath.Join(folder, "ca.pem"), append(authority, first...)),
	}}}
	ends := CertificateEnds(&tls)
	if len(ends) != 2 || ends[0].Name != "own" || !ends[0].Ends.Equal(now.Add(5*time.Hour)) || ends[1].Name != "authorities" || !ends[1].Ends.Equal(now.Add(40*time.Hour)) {
		t.Errorf("got %+v", ends)
	}
	if plain := CertificateEnds(&config.Line{Controller: config.Controller{Protocol: config.ModbusTCP}}); plain != nil {
		t.Errorf("plain Modbus has %+v", plain)
	}
}
