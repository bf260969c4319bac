package opcua

import (
	"bytes"
	"context"
	"crypto/rsa"
	"crypto/x509"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/gopcua/opcua/ua"

	"lapgate/gateway/link/opcua/channel"
)

// serverEndpoint is what a server offers, chosen and checked.
type serverEndpoint struct {
	leaf  *x509.Certificate // nil where nothing is secured with it
	login *ua.UserTokenPolicy
}

// configError is a refusal that lasts until somebody changes something.
type configError struct {
	err  error
	help string
}

func (e *configError) Error() string { return e.err.Error() }
func (e *configError) Unwrap() error { return e.err }

// FetchCertificates asks a server for the certificates of its endpoints,
// without repeats, in the order of the endpoints. Nothing about them is proved
// by this.
func FetchCertificates(ctx context.Context, endpoint string, timeout time.Duration) ([]Certificate, error) {
	offered, err := discover(ctx, endpoint, timeout, nil)
	if err != nil {
		return nil, err
	}
	var out []Certificate
	for _, e := range offered {
		if len(e.ServerCertificate) == 0 {
			continue
		}
		c, err := leaf(e.ServerCertificate)
		if err != nil {
			return nil, fmt.Errorf("certificate of the server: %w", err)
		}
		if !slices.ContainsFunc(out, func(have Certificate) bool { return bytes.Equal(have.DER, c.Raw) }) {
			out = append(out, certificateOf(c, ""))
		}
	}
	return out, nil
}

// discover asks a server for its endpoints, on a connection of its own and
// unsecured: what comes is hearsay until it has been checked.
func discover(ctx context.Context, endpoint string, timeout time.Duration, turn func(context.Context) error) ([]*ua.EndpointDescription, error) {
	c, err := dialChannel(ctx, endpoint, channel.Config{
		Policy: ua.SecurityPolicyURINone, Mode: ua.MessageSecurityModeNone, Lifetime: tokenLifetime, Timeout: timeout, Turn: turn,
	})
	if err != nil {
		return nil, err
	}
	defer c.Close()
	answer, err := c.Call(ctx, &ua.GetEndpointsRequest{EndpointURL: endpoint})
	if err != nil {
		return nil, fmt.Errorf("asking for the endpoints: %w", err)
	}
	list, ok := answer.(*ua.GetEndpointsResponse)
	if !ok {
		return nil, fmt.Errorf("asking for the endpoints: answer is a %T", answer)
	}
	return slices.DeleteFunc(list.Endpoints, func(e *ua.EndpointDescription) bool { return e == nil }), nil
}

// leaf parses the first certificate of what may be a chain.
func leaf(der []byte) (*x509.Certificate, error) {
	certs, err := x509.ParseCertificates(der)
	if err != nil {
		return nil, err
	}
	if len(certs) == 0 {
		return nil, errors.New("there is none")
	}
	return certs[0], nil
}

// choose takes the endpoint of exactly the configured policy and mode, and
// checks the server's certificate. All problems are named at once.
func choose(s *Settings, offered []*ua.EndpointDescription, now time.Time) (*serverEndpoint, error) {
	var found *ua.EndpointDescription
	for _, e := range offered {
		if e.SecurityPolicyURI == s.Policy.uri() && e.SecurityMode == s.Mode.code() && strings.HasPrefix(e.EndpointURL, "opc.tcp:") {
			found = e
			break
		}
	}
	if found == nil {
		return nil, &configError{
			fmt.Errorf("server does not offer policy %s with mode %s; it offers %s", s.Policy, s.Mode, offers(offered)),
			"switch this policy and mode on at the controller, or configure one that it offers; nothing else is taken by itself, " +
				"since that is what an attacker between would wait for",
		}
	}
	out := &serverEndpoint{}
	var err error
	if out.login, err = chooseLogin(s, found); err != nil {
		return nil, err
	}
	if !s.secured() {
		return out, nil
	}
	if out.leaf, err = leaf(found.ServerCertificate); err != nil {
		return nil, &configError{fmt.Errorf("certificate of the server: %w", err), "have the certificate of the controller's OPC UA server made again"}
	}
	return out, checkServer(s, out.leaf, found, now)
}

// offers lists the pairs of policy and mode of a server.
func offers(offered []*ua.EndpointDescription) string {
	var out []string
	for _, e := range offered {
		text := strings.TrimPrefix(e.SecurityPolicyURI, ua.SecurityPolicyURIPrefix) + "/" + strings.TrimPrefix(e.SecurityMode.String(), "MessageSecurityMode")
		if !slices.Contains(out, text) {
			out = append(out, text)
		}
	}
	if len(out) == 0 {
		return "nothing"
	}
	return strings.Join(out, ", ")
}

// chooseLogin takes the first way of logging in that fits the user and does
// not give the password away.
func chooseLogin(s *Settings, e *ua.EndpointDescription) (*ua.UserTokenPolicy, error) {
	want := s.User.kind()
	var kinds []string
	open := false
	for _, t := range e.UserIdentityTokens {
		if t == nil {
			continue
		}
		if kind := describe(t.TokenType); !slices.Contains(kinds, kind) {
			kinds = append(kinds, kind)
		}
		if t.TokenType != want {
			continue
		}
		bare := t.SecurityPolicyURI == ua.SecurityPolicyURINone || t.SecurityPolicyURI == "" && s.Policy == PolicyNone
		// A certificate proves nothing without a signature; a password is not
		// sent in clear.
		if bare && (want == ua.UserTokenTypeCertificate || want == ua.UserTokenTypeUserName && s.Mode != ModeSignAndEncrypt) {
			open = true
			continue
		}
		return t, nil
	}
	if open {
		return nil, &configError{
			fmt.Errorf("server takes a login by %s only without encryption, which would give it away", describe(want)),
			"use mode SignAndEncrypt, or have the controller encrypt logins",
		}
	}
	return nil, &configError{
		fmt.Errorf("server does not take a login by %s; it takes %s", describe(want), strings.Join(kinds, ", ")),
		"allow this kind of login at the controller, or configure another user; there is no falling back to anonymous",
	}
}

// checkServer checks a server's certificate against the trust list, the clock,
// the host and the application. All problems are named at once.
func checkServer(s *Settings, cert *x509.Certificate, e *ua.EndpointDescription, now time.Time) error {
	c := certificateOf(cert, "")
	var bad []error
	var help []string
	fail := func(remedy, format string, args ...any) {
		bad = append(bad, fmt.Errorf(format, args...))
		help = append(help, remedy)
	}
	trusted, err := TrustList{s.Folder}.trusts(cert.Raw)
	if !trusted {
		fail(fmt.Sprintf("compare the fingerprint at the server; if it is the right one: lapgate trust accept %s --folder %s --fingerprint %s", s.Endpoint, s.Folder, c.Fingerprint),
			"the certificate of the server (%s, fingerprint %s) is not trusted", c.Subject, c.Fingerprint)
	}
	if !trusted && err != nil {
		fail("remove what is no certificate from the trust list", "trust list: %w", err)
	}
	if why := c.ValidAt(now); why != "" {
		fail("check the clocks of both machines, then have it renewed", "the certificate of the server is %s", why)
	}
	name := s.ServerName
	if name == "" {
		name, _, _ = host(s.Endpoint)
	}
	if cert.VerifyHostname(name) != nil {
		fail("connect by a name that stands in the certificate, configure that name as the server's, or have it reissued",
			"the certificate of the server is for %s, want %s", listOr(c.Hosts, "no host"), name)
	}
	uri := ""
	if e.Server != nil {
		uri = e.Server.ApplicationURI
	}
	if uri == "" || !slices.ContainsFunc(cert.URIs, func(u *url.URL) bool { return u.String() == uri }) {
		fail("have the certificate reissued for this application",
			"the certificate of the server is for application %q, the server calls itself %q", c.ApplicationURI, uri)
	}
	if key, ok := cert.PublicKey.(*rsa.PublicKey); !ok || key.Size()*8 < keyBits {
		fail("have it made again with a longer key", "the certificate of the server has an RSA key of %d bits, want %d at least", c.KeyBits, keyBits)
	}
	if len(bad) == 0 {
		return nil
	}
	return &configError{errors.Join(bad...), strings.Join(help, "; ")}
}

func listOr(list []string, none string) string {
	if len(list) == 0 {
		return none
	}
	return strings.Join(list, ", ")
}
