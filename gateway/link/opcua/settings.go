package opcua

import (
	"context"
	"crypto/rsa"
	"crypto/x509"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gopcua/opcua/ua"

	"lapgate/gateway/handshake"
)

// Policy is the set of algorithms that secures a connection.
type Policy string

// The policies, from none to the strongest. PolicyNone protects nothing.
const (
	PolicyNone                Policy = "None"
	PolicyBasic256Sha256      Policy = "Basic256Sha256"
	PolicyAes128Sha256RsaOaep Policy = "Aes128_Sha256_RsaOaep"
	PolicyAes256Sha256RsaPss  Policy = "Aes256_Sha256_RsaPss"
)

// Policies lists the policies, PolicyNone first.
func Policies() []Policy {
	return []Policy{PolicyNone, PolicyBasic256Sha256, PolicyAes128Sha256RsaOaep, PolicyAes256Sha256RsaPss}
}

func (p Policy) uri() string { return ua.FormatSecurityPolicyURI(string(p)) }

// Mode is what a policy is used for.
type Mode string

// The modes. ModeNone goes with PolicyNone and with no other.
const (
	ModeNone           Mode = "None"
	ModeSign           Mode = "Sign"
	ModeSignAndEncrypt Mode = "SignAndEncrypt"
)

// Modes lists the modes, ModeNone first.
func Modes() []Mode { return []Mode{ModeNone, ModeSign, ModeSignAndEncrypt} }

func (m Mode) code() ua.MessageSecurityMode { return ua.MessageSecurityModeFromString(string(m)) }

// User is who logs in. The zero value is anonymous. Either the name or the
// certificate is set.
type User struct {
	Name     string
	Password Secret

	Certificate []byte // X.509, DER
	Key         *rsa.PrivateKey
}

func (u *User) kind() ua.UserTokenType {
	switch {
	case len(u.Certificate) > 0:
		return ua.UserTokenTypeCertificate
	case u.Name != "":
		return ua.UserTokenTypeUserName
	}
	return ua.UserTokenTypeAnonymous
}

// describe names the kind of login for people.
func describe(t ua.UserTokenType) string {
	switch t {
	case ua.UserTokenTypeAnonymous:
		return "anonymous"
	case ua.UserTokenTypeUserName:
		return "user name"
	case ua.UserTokenTypeCertificate:
		return "user certificate"
	}
	return "issued token"
}

// Settings are what a connection needs. DefaultSettings fills all but
// Endpoint and Line.
type Settings struct {
	// Endpoint is the address as opc.tcp://host:port, with a path where the
	// server has one.
	Endpoint string
	// Line is the name of the line, with which the identifiers of the nodes
	// begin.
	Line string
	// Policy and Mode are wanted exactly so; nothing weaker is taken, nor
	// anything stronger.
	Policy Policy
	Mode   Mode
	User   User
	// NamespaceURI is the namespace of the nodes.
	NamespaceURI string
	// Nodes replaces identifiers of nodes, by block: a string identifier, or
	// one of the forms i=, g= and b=. That of handshake.OUT holds a * where the two
	// digits of the entry, 00 to 63, stand. Blocks left out have the
	// identifiers of NodeName.
	Nodes map[handshake.ID]string
	// Folder holds the certificate and key of the gateway (below own) and the
	// certificates of the servers that are trusted (below trusted).
	Folder string
	// ServerName is the host in the server's certificate; empty for the host of
	// the endpoint.
	ServerName string
	// Timeout is the longest wait for one answer; the context of a call can end
	// it sooner.
	Timeout time.Duration
	// SkewLimit is the difference between the clocks of the server and the
	// gateway above which a warning is given.
	SkewLimit time.Duration
	// Warn is told what works but should not stay so: each once for as long as
	// it lasts. It is called by the goroutine that dials or reads. Nil for
	// nobody.
	Warn func(Warning)
	// Turn is waited for before each connection and before each message to the
	// server; nil for nothing.
	Turn func(context.Context) error
}

// Warning is something that works but should not stay so.
type Warning struct {
	Code string // "no-security", "expiry", "clock-skew", "read-only"
	Text string
	Help string
}

// DefaultFolder is where certificates are kept unless told otherwise, relative
// to the working directory.
const DefaultFolder = "pki"

// DefaultSettings are the strongest common policy with everything encrypted.
func DefaultSettings() Settings {
	return Settings{
		Policy:       PolicyBasic256Sha256,
		Mode:         ModeSignAndEncrypt,
		NamespaceURI: NamespaceURI,
		Folder:       DefaultFolder,
		Timeout:      500 * time.Millisecond,
		SkewLimit:    5 * time.Second,
	}
}

// sessionTimeout is the time without a request after which a server forgets
// the session: short, since a session is never taken up again.
const sessionTimeout = 10 * time.Second

// tokenLifetime is asked for the keys of a connection; servers commonly give
// an hour. A renewal costs more time than a call may take on a slow
// controller, so it should come seldom.
const tokenLifetime = 4 * time.Hour

// secured tells whether the server's certificate matters: to the connection,
// or to the login that is encrypted with it.
func (s *Settings) secured() bool {
	return s.Policy != PolicyNone || s.User.kind() != ua.UserTokenTypeAnonymous
}

// host returns host and port of an endpoint.
func host(endpoint string) (name, port string, err error) {
	u, err := url.Parse(endpoint)
	if err != nil {
		// The text of the address is left out: it may hold a login.
		return "", "", fmt.Errorf("endpoint is no address as opc.tcp://host:port: %w", errors.Unwrap(err))
	}
	port = u.Port()
	if port == "" {
		port = "4840" // the registered port of OPC UA
	}
	switch n, err := strconv.Atoi(port); {
	case u.User != nil:
		return "", "", errors.New("endpoint holds a login; a user has settings of its own, and no secret belongs into an address")
	case u.Scheme != "opc.tcp":
		return "", "", fmt.Errorf("endpoint %q: scheme %q, want opc.tcp", endpoint, u.Scheme)
	case u.Hostname() == "":
		return "", "", fmt.Errorf("endpoint %q has no host, want opc.tcp://host:port", endpoint)
	case err != nil || n < 1 || n > 65535:
		return "", "", fmt.Errorf("endpoint %q: port %q, want 1 to 65535", endpoint, port)
	}
	return u.Hostname(), port, nil
}

// check returns every problem at once.
func (s *Settings) check() []error {
	var bad []error
	add := func(format string, args ...any) { bad = append(bad, fmt.Errorf(format, args...)) }
	if _, _, err := host(s.Endpoint); err != nil {
		bad = append(bad, err)
	}
	if s.Line == "" {
		add("name of the line is empty: the identifiers of the nodes begin with it")
	}
	knownPolicy, knownMode := slices.Contains(Policies(), s.Policy), slices.Contains(Modes(), s.Mode)
	switch {
	case !knownPolicy:
		add("security policy %q, want one of %v", s.Policy, Policies())
	case !knownMode:
		add("security mode %q, want one of %v", s.Mode, Modes())
	case s.Policy == PolicyNone && s.Mode != ModeNone:
		add("security mode %s does not go with policy None: choose a policy, or mode None", s.Mode)
	case s.Policy != PolicyNone && s.Mode == ModeNone:
		add("security mode None does not go with policy %s: choose Sign or SignAndEncrypt", s.Policy)
	}
	bad = append(bad, s.User.check()...)
	if s.NamespaceURI == "" {
		add("namespace is empty, want a URI as %s", NamespaceURI)
	}
	for _, id := range handshake.IDs() {
		text, given := s.Nodes[id]
		if given && id == handshake.OUT && strings.Count(text, entryMark) != 1 {
			add("identifier of block OUT is %q, want one %s where the two digits of the entry stand", text, entryMark)
			continue
		}
		if _, err := nodeID(0, s.identifier(id, 0)); given && err != nil {
			add("node of block %s: %w", id, err)
		}
	}
	if s.Folder == "" && s.secured() {
		add("folder of the certificates is not set")
	}
	if s.Timeout <= 0 {
		add("request timeout is %v, want more than 0", s.Timeout)
	}
	if s.SkewLimit <= 0 {
		add("limit of the clock skew is %v, want more than 0", s.SkewLimit)
	}
	return bad
}

func (u *User) check() []error {
	var bad []error
	if u.Name != "" && len(u.Certificate) > 0 {
		bad = append(bad, errors.New("both a user name and a user certificate are set, want one of them"))
	}
	if u.Name == "" && u.Password != "" {
		bad = append(bad, errors.New("a password is set without a user name"))
	}
	if len(u.Certificate) == 0 {
		if u.Key != nil {
			bad = append(bad, errors.New("a user key is set without a user certificate"))
		}
		return bad
	}
	cert, err := x509.ParseCertificate(u.Certificate)
	if err != nil {
		return append(bad, fmt.Errorf("user certificate: %w", err))
	}
	public, ok := cert.PublicKey.(*rsa.PublicKey)
	switch {
	case !ok:
		bad = append(bad, errors.New("user certificate has no RSA key, which OPC UA needs"))
	case u.Key == nil:
		bad = append(bad, errors.New("user certificate has no key beside it"))
	case !public.Equal(u.Key.Public()):
		bad = append(bad, errors.New("user certificate and user key do not belong together"))
	}
	return bad
}
