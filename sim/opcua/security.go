package opcua

import (
	"bytes"
	"crypto/rand"
	"crypto/rsa"
	"crypto/subtle"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/awcullen/opcua/server"
	"github.com/awcullen/opcua/ua"
)

// outdated reports whether a session runs under a policy that the library
// still offers and nobody should use.
func outdated(s *server.Session) bool {
	switch s.SecurityPolicyURI() {
	case ua.SecurityPolicyURIBasic128Rsa15, ua.SecurityPolicyURIBasic256:
		return true
	}
	return false
}

func options(c *Config) ([]server.Option, error) {
	limits := ua.NewServerCapabilities()
	if c.MostPerRead > 0 {
		limits.OperationLimits.MaxNodesPerRead = c.MostPerRead
	}
	if c.MostPerWrite > 0 {
		limits.OperationLimits.MaxNodesPerWrite = c.MostPerWrite
	}
	known := len(c.Users) > 0 || c.UserCertificates != ""
	if !known && !c.Anonymous {
		return nil, errors.New("simulator: opc ua server: nobody could log in; name users, a folder of user certificates, or admit anonymous clients")
	}
	o := []server.Option{
		server.WithServerCapabilities(limits),
		server.WithSecurityPolicyNone(c.Plain),
		server.WithAnonymousIdentity(c.Anonymous),
		server.WithRolePermissions(permissions(!known)),
		server.WithServerDiagnostics(false),
		server.WithBuildInfo(ua.BuildInfo{ProductURI: ApplicationURI, ProductName: "lapgate simulated line"}),
	}
	if c.Trusted == "" {
		o = append(o, server.WithInsecureSkipVerify())
	} else {
		if _, err := os.ReadDir(c.Trusted); err != nil {
			return nil, fmt.Errorf("simulator: opc ua server: trust list: %w", err)
		}
		o = append(o, server.WithTrustedCertificatesPaths(c.Trusted, ""))
		if c.Rejected != "" {
			o = append(o, server.WithRejectedCertificatesPath(c.Rejected))
		}
	}
	if len(c.Users) > 0 {
		o = append(o, server.WithAuthenticateUserNameIdentityFunc(func(u ua.UserNameIdentity, _, _ string) error {
			want, found := c.Users[u.UserName]
			same := subtle.ConstantTimeCompare([]byte(u.Password), []byte(want)) == 1
			if !found || !same {
				return ua.BadUserAccessDenied
			}
			return nil
		}))
	}
	if c.UserCertificates != "" {
		certs, err := readCertificates(c.UserCertificates)
		if err != nil {
			return nil, err
		}
		o = append(o, server.WithAuthenticateX509IdentityFunc(func(u ua.X509Identity, _, _ string) error {
			der := []byte(u.Certificate)
			if slices.ContainsFunc(certs, func(c *x509.Certificate) bool { return bytes.Equal(c.Raw, der) }) {
				return nil
			}
			return ua.BadUserAccessDenied
		}))
	}
	return o, nil
}

// permissions give anonymous clients the right to write only where there is
// nobody else.
func permissions(anonymousWrites bool) []ua.RolePermissionType {
	const browse = ua.PermissionTypeBrowse | ua.PermissionTypeRead
	anonymous := browse
	if anonymousWrites {
		anonymous |= ua.PermissionTypeWrite
	}
	return []ua.RolePermissionType{
		{RoleID: ua.ObjectIDWellKnownRoleAnonymous, Permissions: anonymous},
		{RoleID: ua.ObjectIDWellKnownRoleAuthenticatedUser, Permissions: browse | ua.PermissionTypeWrite},
	}
}

// readCertificates reads every certificate of a folder, PEM or DER.
func readCertificates(dir string) ([]*x509.Certificate, error) {
	files, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("simulator: opc ua server: user certificates: %w", err)
	}
	var certs []*x509.Certificate
	var bad []error
	for _, f := range files {
		if f.IsDir() {
			continue
		}
		path := filepath.Join(dir, f.Name())
		der, err := os.ReadFile(path)
		if err != nil {
			bad = append(bad, err)
			continue
		}
		if block, _ := pem.Decode(der); block != nil {
			der = block.Bytes
		}
		c, err := x509.ParseCertificate(der)
		if err != nil {
			bad = append(bad, fmt.Errorf("%s: %w; want one certificate, PEM or DER", path, err))
			continue
		}
		certs = append(certs, c)
	}
	return certs, errors.Join(bad...)
}

const (
	keyBits = 2048
	// Of a pair that ends with the server, and of one that is kept.
	lifetime     = 30 * 24 * time.Hour
	longLifetime = 5 * 365 * 24 * time.Hour
)

// The files of a pair.
const (
	certificateFile = "server.pem"
	keyFile         = "server.key"
)

// keptPair is the pair in a folder, which is made where there is none yet, where it is
// to be renewed and where its certificate has ended.
func keptPair(dir, addr string, renew bool, now time.Time) (cert, key string, err error) {
	cert, key = filepath.Join(dir, certificateFile), filepath.Join(dir, keyFile)
	text, err := os.ReadFile(cert)
	if !renew && err == nil {
		block, _ := pem.Decode(text)
		if block == nil {
			return "", "", fmt.Errorf("simulator: opc ua server: %s holds no certificate in PEM form; name another folder, or have it renewed", cert)
		}
		c, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return "", "", fmt.Errorf("simulator: opc ua server: %s: %w", cert, err)
		}
		if now.Before(c.NotAfter) {
			return cert, key, checkPair(cert, key)
		}
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", "", err
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return "", "", err
	}
	return makePair(dir, addr, now, longLifetime)
}

// fits reports whether the library reads passwords with a key. It takes the
// length of the private exponent for that of the key, and one exponent in a
// hundred is shorter.
func fits(key *rsa.PrivateKey) bool { return len(key.D.Bytes()) == key.Size() }

// checkPair looks at a certificate and key before the library does.
func checkPair(certFile, keyFile string) error {
	p, err := tls.LoadX509KeyPair(certFile, keyFile)
	if err != nil {
		return fmt.Errorf("simulator: opc ua server: certificate %s, key %s: %w; want a PEM certificate and its RSA key", certFile, keyFile, err)
	}
	key, ok := p.PrivateKey.(*rsa.PrivateKey)
	switch {
	case !ok:
		return fmt.Errorf("simulator: opc ua server: key %s is a %T; want an RSA key", keyFile, p.PrivateKey)
	case !fits(key):
		return fmt.Errorf("simulator: opc ua server: key %s has a short private exponent, with which the server's library cannot read a password; make another key", keyFile)
	}
	return nil
}

// makePair writes a certificate that signs itself and its key into a folder.
func makePair(dir, addr string, now time.Time, life time.Duration) (certPath, keyPath string, err error) {
	key, err := rsa.GenerateKey(rand.Reader, keyBits)
	for err == nil && !fits(key) {
		key, err = rsa.GenerateKey(rand.Reader, keyBits)
	}
	if err != nil {
		return "", "", err
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		return "", "", err
	}
	uri, err := url.Parse(ApplicationURI)
	if err != nil {
		return "", "", err
	}
	template := &x509.Certificate{
		SerialNumber: serial,
		Subject:      pkix.Name{CommonName: "lapgate simulated line", Organization: []string{"lapgate"}},
		NotBefore:    now.Add(-time.Hour),
		NotAfter:     now.Add(life),
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageContentCommitment |
			x509.KeyUsageKeyEncipherment | x509.KeyUsageDataEncipherment | x509.KeyUsageCertSign,
		ExtKeyUsage:           []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
		BasicConstraintsValid: true,
		URIs:                  []*url.URL{uri},
		DNSNames:              []string{"localhost"},
		IPAddresses:           []net.IP{net.IPv4(127, 0, 0, 1), net.IPv6loopback},
	}
	if host, _, err := net.SplitHostPort(addr); err == nil {
		if ip := net.ParseIP(host); ip != nil && !ip.IsUnspecified() && !ip.IsLoopback() {
			template.IPAddresses = append(template.IPAddresses, ip)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		return "", "", err
	}
	certPath, keyPath = filepath.Join(dir, certificateFile), filepath.Join(dir, keyFile)
	for _, f := range []struct {
		path, kind string
		der        []byte
	}{
		{certPath, "CERTIFICATE", der},
		{keyPath, "RSA PRIVATE KEY", x509.MarshalPKCS1PrivateKey(key)},
	} {
		text := pem.EncodeToMemory(&pem.Block{Type: f.kind, Bytes: f.der})
		if err := os.WriteFile(f.path, text, 0o600); err != nil {
			return "", "", err
		}
	}
	return certPath, keyPath, nil
}
