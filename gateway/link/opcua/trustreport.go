package opcua

import (
	"errors"
	"slices"
	"time"
)

// CertificateReport is a certificate as people and programs read it.
type CertificateReport struct {
	Role           string    `json:"role"` // "own", "trusted" or "offered"
	Subject        string    `json:"subject"`
	Fingerprint    string    `json:"fingerprint"`
	Thumbprint     string    `json:"thumbprint"`
	Issuer         string    `json:"issuer"`
	ApplicationURI string    `json:"application_uri" label:"application"`
	Hosts          []string  `json:"hosts"`
	KeyBits        int       `json:"key_bits" label:"RSA key, bits"`
	NotBefore      time.Time `json:"not_before"`
	NotAfter       time.Time `json:"not_after"`
	State          string    `json:"state"` // "valid", "ends soon" or why it is not valid
	File           string    `json:"file,omitempty"`
}

// Report is a certificate in a role, judged at a time.
func (c *Certificate) Report(role string, now time.Time) CertificateReport {
	out := CertificateReport{
		Role: role, Fingerprint: c.Fingerprint, Thumbprint: c.Thumbprint, Subject: c.Subject, Issuer: c.Issuer,
		ApplicationURI: c.ApplicationURI, Hosts: append([]string{}, c.Hosts...), KeyBits: c.KeyBits,
		NotBefore: c.NotBefore, NotAfter: c.NotAfter, State: "valid", File: c.File,
	}
	switch why := c.ValidAt(now); {
	case why != "":
		out.State = why
	case c.EndsSoon(now):
		out.State = "ends soon"
	}
	return out
}

// Offered are certificates that a server or a file shows.
func Offered(list []Certificate, now time.Time) []CertificateReport {
	out := []CertificateReport{}
	for i := range list {
		out = append(out, list[i].Report("offered", now))
	}
	return out
}

// Report lists the gateway's own certificate, which is made on first use, and
// those that are trusted. With an error of the list it holds what could be read;
// valid is false when one of them is not valid now.
func (t TrustList) Report(now time.Time) (list []CertificateReport, valid bool, err error) {
	own, err := OwnCertificate(t.Folder)
	if err != nil {
		return nil, false, err
	}
	trusted, err := t.List()
	list = append(list, own.Report("own", now))
	for i := range trusted {
		list = append(list, trusted[i].Report("trusted", now))
	}
	invalid := func(c Certificate) bool { return c.ValidAt(now) != "" }
	return list, !invalid(own) && !slices.ContainsFunc(trusted, invalid), err
}

// AcceptOneOf puts the certificate that has the fingerprint into the list, and
// returns it with its file. When none has it the error wraps ErrFingerprint and
// names each.
func (t TrustList) AcceptOneOf(list []Certificate, fingerprint string) (*Certificate, error) {
	var refusals []error
	for i := range list {
		c := list[i]
		file, err := t.Accept(c.DER, fingerprint)
		if err == nil {
			c.File = file
			return &c, nil
		}
		if !errors.Is(err, ErrFingerprint) {
			return nil, err
		}
		refusals = append(refusals, err)
	}
	return nil, errors.Join(refusals...)
}
