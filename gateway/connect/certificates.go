package connect

import (
	"crypto/x509"
	"fmt"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/link/opcua"
)

// CertificateEnd is when a certificate ends that the connection of a line rests on.
type CertificateEnd struct {
	Name string // short, and the same after it was renewed
	Text string // what it is, for a sentence
	Ends time.Time
}

// CertificateEnds lists the certificates of a line as they are in its files now. One
// that cannot be read is left out: connecting and `check` tell of it.
func CertificateEnds(l *config.Line) (out []CertificateEnd) {
	switch c := &l.Controller; c.Protocol {
	case config.ModbusTLS:
		own, authorities := c.TLS.Certificates()
		for _, f := range [...]struct {
			name, text   string
			certificates []*x509.Certificate
		}{{"own", "the certificate of lapgate", own}, {"authorities", "the certificate of an authority", authorities}} {
			if first := firstToEnd(f.certificates); first != nil {
				out = append(out, CertificateEnd{f.name, fmt.Sprintf("%s, %s,", f.text, first.Subject), first.NotAfter})
			}
		}
	case config.OPCUA:
		if opcua.Policy(c.OPCUA.Policy) == opcua.PolicyNone {
			return nil
		}
		list := opcua.TrustList{Folder: c.OPCUA.Certificates}
		if own, err := opcua.OwnCertificate(list.Folder); err == nil {
			out = append(out, CertificateEnd{"own", "the certificate of lapgate, " + own.Subject + ",", own.NotAfter})
		}
		trusted, _ := list.List()
		for i, t := range trusted {
			if !renewed(trusted, i) {
				const short = 8 // letters of a fingerprint that tell it from the others
				out = append(out, CertificateEnd{"trusted-" + t.Fingerprint[:short], "the certificate of the server " + t.Subject, t.NotAfter})
			}
		}
	}
	return out
}

// firstToEnd is the certificate of a file that ends first, nil without any.
func firstToEnd(list []*x509.Certificate) (first *x509.Certificate) {
	for _, c := range list {
		if first == nil || c.NotAfter.Before(first.NotAfter) {
			first = c
		}
	}
	return first
}

// renewed tells whether another certificate of the same application lasts longer than the one
// at i: then the one at i only waits to be taken away.
func renewed(list []opcua.Certificate, i int) bool {
	for j, c := range list {
		if j != i && c.ApplicationURI == list[i].ApplicationURI && c.ApplicationURI != "" && c.NotAfter.After(list[i].NotAfter) {
			return true
		}
	}
	return false
}
