package modbus

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lapgate/sim/controller"
)

// selfSigned makes a certificate for the loopback address and both uses.
func selfSigned(t *testing.T) tls.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	leaf, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key, Leaf: leaf}
}

func pool(c tls.Certificate) *x509.CertPool {
	p := x509.NewCertPool()
	p.AddCert(c.Leaf)
	return p
}

// The certificates in a folder stay until they are renewed or have ended, and those of
// another authority are never written over.
func TestSecurityInAFolder(t *testing.T) {
	dir, now := t.TempDir(), time.Now()
	leaf := func(renew bool, at time.Time) string {
		t.Helper()
		s, err := SecurityIn(dir, "", renew, at)
		if err != nil {
			t.Fatal(err)
		}
		return string(s.Certificate.Certificate[0])
	}
	first := leaf(false, now)
	if leaf(false, now.Add(certificateLife-time.Minute)) != first {
		t.Error("made anew before its end")
	}
	ended := leaf(false, now.Add(certificateLife+time.Minute))
	if ended == first || leaf(true, now) == ended {
		t.Error("kept after its end, or though it was to be renewed")
	}
	other, err := newSigned("a mill", now, nil)
	if err != nil {
		t.Fatal(err)
	}
	for name, block := range map[string]*pem.Block{ControllerFile: other.certificate(), ControllerKeyFile: other.private} {
		if err := os.WriteFile(filepath.Join(dir, name), pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := SecurityIn(dir, "", true, now); err == nil || !strings.Contains(err.Error(), "a mill") {
		t.Errorf("another authority's certificate was written over: %v", err)
	}
}

// TestSecured serves a client that shows a certificate of a known authority,
// behind the wire that can be cut, and no other.
func TestSecured(t *testing.T) {
	own, client, stranger := selfSigned(t), selfSigned(t), selfSigned(t)
	s, err := Listen(t.Context(), "127.0.0.1:0", 17, controller.NewImage(controller.DefaultBases()),
		&Security{Certificate: own, Clients: pool(client)})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}()
	// connect returns what a first request got.
	connect := func(certificates ...tls.Certificate) (*raw, error) {
		conn, err := tls.Dial("tcp", s.Addr(), &tls.Config{RootCAs: pool(own), ServerName: "127.0.0.1", Certificates: certificates})
		if err != nil {
			return nil, err
		}
		t.Cleanup(func() { _ = conn.Close() })
		_ = conn.SetDeadline(time.Now().Add(2 * time.Minute))
		r := &raw{t: t, conn: conn}
		r.send(17, "03 03E8 0002")
		got, err := r.receive() // a client learns only here that it was refused
		if err == nil && got != "030400000000" {
			t.Errorf("answer is %s", got)
		}
		return r, err
	}
	c, err := connect(client)
	if err != nil {
		t.Fatal(err)
	}
	c.ask(17, "10 102C 0002 04 1234 5678", "10 102C 0002")
	for name, certificates := range map[string][]tls.Certificate{"no certificate": nil, "a stranger's": {stranger}} {
		if _, err := connect(certificates...); err == nil {
			t.Errorf("%s: was served", name)
		}
	}
	plain := dial(t, s.Addr())
	plain.send(17, "03 03E8 0002")
	if got, err := plain.receive(); err == nil {
		t.Errorf("plain Modbus was answered %s", got)
	}
	s.Wire().Cut(time.Millisecond)
	if _, err := c.conn.Read(make([]byte, 1)); err == nil {
		t.Error("the connection survived the cut")
	}
}
