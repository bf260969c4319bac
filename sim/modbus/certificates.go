package modbus

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// The files of Modbus/TCP Security between the simulator and a daemon, all in
// one folder. The key of the authority is not kept: nothing more can be signed.
const (
	AuthorityFile     = "authority.pem"
	ControllerFile    = "controller.pem"
	ControllerKeyFile = "controller.key"
	GatewayFile       = "gateway.pem"
	GatewayKeyFile    = "gateway.key"
)

const certificateLife = 365 * 24 * time.Hour

func securityFiles() []string {
	return []string{AuthorityFile, ControllerFile, ControllerKeyFile, GatewayFile, GatewayKeyFile}
}

// authorityName is that of the authority that the simulator makes.
const authorityName = "lapgate simulator authority"

// SecurityIn reads the simulator's side from a folder, and makes the files of
// both sides where none of them is there, and anew where they are to be renewed or its
// own have ended. host is one more name for the simulator. What another authority
// signed is not written over.
func SecurityIn(dir, host string, renew bool, now time.Time) (*Security, error) {
	var missing []string
	for _, name := range securityFiles() {
		if _, err := os.Stat(filepath.Join(dir, name)); errors.Is(err, fs.ErrNotExist) {
			missing = append(missing, name)
		} else if err != nil {
			return nil, err
		}
	}
	switch len(missing) {
	case 0:
	case len(securityFiles()):
		if err := makeSecurity(dir, host, now); err != nil {
			return nil, err
		}
	default:
		return nil, fmt.Errorf("%s lacks %s; put them there, or name an empty folder to have all made anew", dir, strings.Join(missing, ", "))
	}
	own, err := tls.LoadX509KeyPair(filepath.Join(dir, ControllerFile), filepath.Join(dir, ControllerKeyFile))
	if err != nil {
		return nil, err
	}
	leaf, err := x509.ParseCertificate(own.Certificate[0])
	if err != nil {
		return nil, err
	}
	if (renew || now.After(leaf.NotAfter)) && len(missing) == 0 {
		if leaf.Issuer.CommonName != authorityName {
			return nil, fmt.Errorf("%s: the certificate is signed by %q and not by the simulator; have it renewed there, or name another folder", dir, leaf.Issuer.CommonName)
		}
		if err := makeSecurity(dir, host, now); err != nil {
			return nil, err
		}
		return SecurityIn(dir, host, false, now)
	}
	authorities, err := os.ReadFile(filepath.Join(dir, AuthorityFile))
	if err != nil {
		return nil, err
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(authorities) {
		return nil, fmt.Errorf("%s holds no certificate in PEM form", filepath.Join(dir, AuthorityFile))
	}
	return &Security{Certificate: own, Clients: pool}, nil
}

// makeSecurity makes an authority, and with it the certificates of simulator and
// gateway.
func makeSecurity(dir, host string, now time.Time) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	usage := func(u ...x509.ExtKeyUsage) func(*x509.Certificate) {
		return func(c *x509.Certificate) { c.ExtKeyUsage = u }
	}
	authority, err := newSigned(authorityName, now, nil, func(c *x509.Certificate) {
		c.IsCA, c.BasicConstraintsValid, c.KeyUsage = true, true, x509.KeyUsageCertSign
	})
	if err != nil {
		return err
	}
	controller, err := newSigned("lapgate simulator", now, authority, usage(x509.ExtKeyUsageServerAuth), func(c *x509.Certificate) {
		c.DNSNames = []string{"localhost"}
		c.IPAddresses = []net.IP{net.IPv4(127, 0, 0, 1), net.IPv6loopback}
		if ip := net.ParseIP(host); ip != nil {
			c.IPAddresses = append(c.IPAddresses, ip)
		} else if host != "" && host != "localhost" {
			c.DNSNames = append(c.DNSNames, host)
		}
	})
	if err != nil {
		return err
	}
	gateway, err := newSigned("lapgate", now, authority, usage(x509.ExtKeyUsageClientAuth))
	if err != nil {
		return err
	}
	var bad []error
	for _, f := range []struct {
		name string
		mode fs.FileMode
		pem  *pem.Block
	}{
		{AuthorityFile, 0o644, authority.certificate()},
		{ControllerFile, 0o644, controller.certificate()},
		{ControllerKeyFile, 0o600, controller.private},
		{GatewayFile, 0o644, gateway.certificate()},
		{GatewayKeyFile, 0o600, gateway.private},
	} {
		bad = append(bad, os.WriteFile(filepath.Join(dir, f.name), pem.EncodeToMemory(f.pem), f.mode))
	}
	return errors.Join(bad...)
}

// signed is a certificate with its key.
type signed struct {
	cert    *x509.Certificate
	key     *ecdsa.PrivateKey
	private *pem.Block
}

func (s *signed) certificate() *pem.Block {
	return &pem.Block{Type: "CERTIFICATE", Bytes: s.cert.Raw}
}

// newSigned makes a certificate; without an authority it signs itself.
func newSigned(name string, now time.Time, by *signed, set ...func(*x509.Certificate)) (*signed, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		return nil, err
	}
	template := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: name},
		// A little earlier, for machines whose clocks are not quite together.
		NotBefore: now.Add(-time.Hour), NotAfter: now.Add(certificateLife),
		KeyUsage: x509.KeyUsageDigitalSignature,
	}
	for _, f := range set {
		f(template)
	}
	parent, signer := template, key
	if by != nil {
		parent, signer = by.cert, by.key
	}
	der, err := x509.CreateCertificate(rand.Reader, template, parent, &key.PublicKey, signer)
	if err != nil {
		return nil, err
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		return nil, err
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	return &signed{cert: cert, key: key, private: &pem.Block{Type: "PRIVATE KEY", Bytes: keyDER}}, nil
}
