package config

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
)

// leastToken is how long a token of the status page must be: it can be tried from
// everywhere on its network.
const leastToken = 16

// Access is who may look at page, metrics, health and JSON, and how. The zero value is
// for loopback: everybody on this machine, without TLS.
type Access struct {
	Certificate *tls.Certificate // of the server; nil for no TLS
	Clients     *x509.CertPool   // whose certificates are admitted; nil for none
	Token       string           // that admits; empty for none
}

// Guarded tells whether the access is fit for a network: by TLS, and not for everybody.
func (a *Access) Guarded() bool { return a.Certificate != nil && !a.Open() }

// Open tells whether everybody is admitted.
func (a *Access) Open() bool { return a.Clients == nil && a.Token == "" }

// TLS is how connections are secured, nil for not at all. Where no token admits, a
// connection without a certificate does not come about.
func (a *Access) TLS() *tls.Config {
	if a.Certificate == nil {
		return nil
	}
	t := &tls.Config{Certificates: []tls.Certificate{*a.Certificate}, MinVersion: tls.VersionTLS12}
	switch {
	case a.Clients == nil:
	case a.Token == "":
		t.ClientAuth, t.ClientCAs = tls.RequireAndVerifyClientCert, a.Clients
	default:
		t.ClientAuth, t.ClientCAs = tls.VerifyClientCertIfGiven, a.Clients
	}
	return t
}

// Access reads the files and the token of the status page. lookup finds a variable of
// the environment. The error names every problem, and never holds a secret.
func (s *Status) Access(lookup func(string) (string, bool)) (a Access, err error) {
	var bad []error
	if s.Certificate != "" {
		if a.Certificate, err = s.certificate(); err != nil {
			bad = append(bad, err)
		}
	}
	if s.Clients != "" {
		if a.Clients, err = readAuthorities(s.Clients); err != nil {
			bad = append(bad, fmt.Errorf("status.clients: %w", err))
		}
	}
	if s.Token != "" {
		if a.Token, err = ReadSecret(s.Token, lookup); err != nil {
			bad = append(bad, fmt.Errorf("status.token: %w", err))
		} else if len(a.Token) < leastToken {
			bad = append(bad, fmt.Errorf("status.token: it has %d characters, want %d at least; have a random one made", len(a.Token), leastToken))
		}
	}
	return a, errors.Join(bad...)
}

func (s *Status) certificate() (*tls.Certificate, error) {
	pair, err := readPair(s.Certificate, s.Key)
	if err != nil {
		return nil, fmt.Errorf("status.%w", err)
	}
	return &pair, nil
}

// checkStatus checks that whoever looks from a network has to prove himself.
func (d *decoder) checkStatus(doc *document) {
	const listen, certificate, key, clients, token = "status.listen", "status.certificate", "status.key", "status.clients", "status.token"
	s := &doc.Status
	if d.good(token) && s.Token != "" && !secretSource(s.Token) {
		d.problem(d.where(token), token, "not a place of a secret", hidden, "file:PATH or env:NAME", "write no secret here, and have it changed if it stood here")
	}
	if d.good(certificate) && d.good(key) && (s.Certificate == "") != (s.Key == "") {
		d.problem(d.where(key), key, "certificate and key belong together", quoted(s.Key), "both, or neither", "name the file of the other one too")
	}
	if s.Off() || !d.good(listen) {
		return
	}
	host, ok := d.hostPort(listen, s.Listen, lowestPort(0))
	if !ok {
		return
	}
	guarded := s.Certificate != "" && (s.Clients != "" || s.Token != "")
	if !Loopback(host) && !guarded {
		d.problem(d.where(listen), listen, "status page open to the network without login", quoted(s.Listen), "a loopback address, as in 127.0.0.1:8480",
			"listen on loopback; or give status.certificate and status.key, and status.clients or status.token")
	}
	if s.Clients != "" && s.Certificate == "" {
		d.problem(d.where(clients), clients, "certificates of clients without TLS", quoted(s.Clients), "status.certificate and status.key as well", "name the certificate and the key of the page")
	}
}
