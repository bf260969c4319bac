package engine_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/engine"
	"lapgate/gateway/engine/enginetest"
)

// certified is a certificate for a name that signs itself, and its key.
func certified(t *testing.T, name string) (certificate, key []byte) {
	t.Helper()
	own, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	form := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, DNSNames: []string{name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true,
	}
	signed, err := x509.CreateCertificate(rand.Reader, form, form, &own.PublicKey, own)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(own)
	if err != nil {
		t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: signed}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})
}

// Name and signer of the server are looked at, and a password is shown to none that asks
// for it in the clear. Each refusal has its remedy.
func TestTLS(t *testing.T) {
	certificate, key := certified(t, "db.mill")
	other, _ := certified(t, "db.mill")
	server, address := enginetest.Secured(t, certificate, key,
		"hostssl all mill_reader 127.0.0.1/32 password\nhostssl all mill_keeper 127.0.0.1/32 reject\nhostssl all all 127.0.0.1/32 scram-sha-256\n")
	d := server.Database(t)
	d.SQL(t, `ALTER ROLE mill_machine PASSWORD 'sesame'; ALTER ROLE mill_reader PASSWORD 'sesame'; ALTER ROLE mill_keeper PASSWORD 'sesame'`)
	trusting := func(pem []byte, name string) *tls.Config {
		pool := x509.NewCertPool()
		if !pool.AppendCertsFromPEM(pem) {
			t.Fatal("no certificate")
		}
		return &tls.Config{RootCAs: pool, ServerName: name, MinVersion: tls.VersionTLS12}
	}
	for name, c := range map[string]struct {
		user, password string
		tls            *tls.Config
		says, remedy   string // of a refusal, empty for none
	}{
		"as it should be":       {enginetest.Machine, "sesame", trusting(certificate, "db.mill"), "", ""},
		"another name":          {enginetest.Machine, "sesame", trusting(certificate, "db.other"), "not db.other", "engine.server_name"},
		"no name but the host":  {enginetest.Machine, "sesame", trusting(certificate, ""), "127.0.0.1", "engine.server_name"},
		"another signer":        {enginetest.Machine, "sesame", trusting(other, "db.mill"), "certificate", "engine.authorities"},
		"another password":      {enginetest.Machine, "open", trusting(certificate, "db.mill"), "password authentication failed", "user or password is wrong"},
		"no password":           {enginetest.Machine, "", trusting(certificate, "db.mill"), "password authentication failed", "user or password is wrong"},
		"password in the clear": {enginetest.Reader, "sesame", trusting(certificate, "db.mill"), "require_auth", "scram-sha-256"},
		"nobody lets it in":     {enginetest.Keeper, "sesame", trusting(certificate, "db.mill"), "pg_hba.conf rejects", "hostssl"},
	} {
		s := d.Settings(c.user)
		s.Address, s.Password, s.TLS = address, c.password, c.tls
		_, err := engine.New(s).Connect(t.Context())
		f := engine.New(s).Examine(t.Context())[0]
		if c.remedy == "" {
			if err != nil || f.Err != nil || !strings.HasPrefix(f.TLS, "TLSv1.") {
				t.Errorf("%s: %v, %v, over %q", name, err, f.Err, f.TLS)
			}
			continue
		}
		if err == nil || !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), "sesame") {
			t.Errorf("%s: %v, want %q in it", name, err, c.says)
		}
		if f.Err == nil || !strings.Contains(f.Remedy, c.remedy) {
			t.Errorf("%s: the remedy is %q for %v, want %q in it", name, f.Remedy, f.Err, c.remedy)
		}
	}
}
