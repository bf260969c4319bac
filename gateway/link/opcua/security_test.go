package opcua

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/gopcua/opcua/ua"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"

	serverua "github.com/awcullen/opcua/ua"
)

const patience = 2 * time.Minute

func bounded(t testing.TB, d time.Duration) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), d)
	t.Cleanup(cancel)
	return ctx
}

func dial(t testing.TB, s Settings) *port {
	t.Helper()
	p, err := dialer(t, s).Dial(bounded(t, patience))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = p.Close() })
	return p.(*port)
}

// refused dials in vain, and wants the class, the texts and the remedies.
func refused(t *testing.T, s Settings, class link.Class, texts ...string) {
	t.Helper()
	d, err := New(s)
	if err == nil {
		var p link.Port
		if p, err = d.Dial(bounded(t, patience)); err == nil {
			_ = p.Close()
			t.Fatal("connected")
		}
	}
	var e *link.Error
	if !errors.As(err, &e) || e.Op != "dial" || e.Class != class {
		t.Errorf("got %v (class %v), want a dial error of class %v", err, link.ClassOf(err), class)
	}
	for _, text := range mention(err, texts...) {
		t.Errorf("text lacks %q: %v", text, err)
	}
	if e != nil && e.Help == "" {
		t.Errorf("no remedy is named: %v", err)
	}
	if strings.Contains(err.Error(), testPassword) {
		t.Error("the password is shown")
	}
}

// TestEverySecurity connects with each policy, mode and kind of user, and asks
// the server how it was connected to.
func TestEverySecurity(t *testing.T) {
	v := vaultOf(t)
	p := fresh(t)
	commit := make([]uint16, handshake.CommitWords)
	if err := (&handshake.Commit{Offer: 3}).Encode(commit); err != nil {
		t.Fatal(err)
	}
	for _, sec := range securities() {
		for _, u := range []struct {
			name string
			user User
			is   func(any) bool
		}{
			{"anonymous", User{}, func(id any) bool { _, ok := id.(serverua.AnonymousIdentity); return ok }},
			{"user name", User{Name: testUser, Password: testPassword}, func(id any) bool {
				n, ok := id.(serverua.UserNameIdentity)
				return ok && n.UserName == testUser
			}},
			{"X.509", User{Certificate: v.userCert, Key: v.user}, func(id any) bool {
				x, ok := id.(serverua.X509Identity)
				return ok && string(x.Certificate) == string(v.userCert)
			}},
		} {
			t.Run(sec.String()+" "+u.name, func(t *testing.T) {
				p.with(func() { p.sessions = nil })
				s := settings(t, p.address, sec)
				s.User = u.user
				got := dial(t, s)
				if err := got.Write(bounded(t, patience), handshake.COMMIT, commit); err != nil {
					t.Fatal(err)
				}
				p.with(func() {
					for _, session := range p.sessions {
						if !u.is(session.UserIdentity()) {
							t.Errorf("the server knows the user as %T", session.UserIdentity())
						}
						if session.SecurityPolicyURI() != sec.policy.uri() || uint32(session.SecurityMode()) != uint32(sec.mode.code()) {
							t.Errorf("connected by %s, %v", session.SecurityPolicyURI(), session.SecurityMode())
						}
					}
					if len(p.sessions) != 1 {
						t.Errorf("%d sessions, want 1", len(p.sessions))
					}
				})
			})
		}
	}
}

var best = security{PolicyBasic256Sha256, ModeSignAndEncrypt}

func TestRefusals(t *testing.T) {
	p := fresh(t)
	v := vaultOf(t)
	strange, _, err := makeCertificate(certificateSpec{})
	if err != nil {
		t.Fatal(err)
	}
	empty := t.TempDir()
	for _, tt := range []struct {
		name   string
		change func(*Settings)
		class  link.Class
		texts  []string
	}{
		{"bad password", func(s *Settings) { s.User = User{Name: testUser, Password: "guessed"} }, link.ConfigClass,
			[]string{"user name", "check user name and password"}},
		{"unknown user", func(s *Settings) { s.User = User{Name: "nobody", Password: testPassword} }, link.ConfigClass,
			[]string{"check user name and password"}},
		{"bad password without security", func(s *Settings) {
			s.Policy, s.Mode = PolicyNone, ModeNone
			s.User = User{Name: testUser, Password: "guessed"}
		}, link.ConfigClass, []string{"check user name and password"}},
		{"unknown user certificate", func(s *Settings) { s.User = User{Certificate: v.serverCert, Key: v.server} }, link.ConfigClass,
			[]string{"user certificate", "check user name and password, or the user's certificate"}},
		{"foreign user key", func(s *Settings) { s.User = User{Certificate: v.userCert, Key: strange} }, link.ConfigClass,
			[]string{"do not belong together"}},
		{"host", func(s *Settings) { s.ServerName = "controller.mill.test" }, link.ConfigClass,
			[]string{"is for localhost, 127.0.0.1, want controller.mill.test", "connect by a name that stands in the certificate"}},
		{"namespace", func(s *Settings) { s.NamespaceURI = "urn:elsewhere" }, link.ConfigClass,
			[]string{"no namespace urn:elsewhere", NamespaceURI}},
		{"line", func(s *Settings) { s.Line = "line9" }, link.ConfigClass,
			[]string{"block REQ (node ns=", "line9.Request", "block OUT entry 00 and 63 more", "block ACK", "no such variable"}},
		{"nothing trusted", func(s *Settings) { s.Folder = empty }, link.ConfigClass,
			[]string{"is not trusted", certificateOf(mustParse(v.serverCert), "").Fingerprint, "lapgate trust accept opc.tcp://" + p.address}},
		{"login encrypted for nobody known", func(s *Settings) {
			s.Policy, s.Mode, s.Folder = PolicyNone, ModeNone, empty
			s.User = User{Name: testUser, Password: testPassword}
		}, link.ConfigClass, []string{"is not trusted"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := settings(t, p.address, best)
			tt.change(&s)
			refused(t, s, tt.class, tt.texts...)
		})
	}
}

// TestClientNotTrusted uses a gateway certificate that the server does not
// know: it hangs up, and says nothing that the library would pass on.
func TestClientNotTrusted(t *testing.T) {
	p := fresh(t)
	s := settings(t, p.address, best)
	s.Folder = t.TempDir()
	v := vaultOf(t)
	if _, err := (TrustList{s.Folder}).Accept(v.serverCert, certificateOf(mustParse(v.serverCert), "").Fingerprint); err != nil {
		t.Fatal(err)
	}
	own, err := OwnCertificate(s.Folder)
	if err != nil {
		t.Fatal(err)
	}
	refused(t, s, link.Down, "opening the secure channel", "probably rejected the certificate of this gateway", own.Thumbprint, "certificate.der")
}

// TestDowngrade offers less than is configured.
func TestDowngrade(t *testing.T) {
	p := fresh(t)
	offered, err := discover(t.Context(), "opc.tcp://"+p.address, patience, nil)
	if err != nil {
		t.Fatal(err)
	}
	only := func(keep func(*ua.EndpointDescription) bool) (out []*ua.EndpointDescription) {
		for _, e := range offered {
			if keep(e) {
				out = append(out, e)
			}
		}
		return out
	}
	s := settings(t, p.address, best)
	now := time.Now()
	if _, err := choose(&s, offered, now); err != nil {
		t.Fatalf("the whole offer is refused: %v", err)
	}
	for _, tt := range []struct {
		name string
		keep func(*ua.EndpointDescription) bool
		text string
	}{
		{"only None", func(e *ua.EndpointDescription) bool { return e.SecurityPolicyURI == ua.SecurityPolicyURINone }, "it offers None/None"},
		{"only Sign", func(e *ua.EndpointDescription) bool {
			return e.SecurityMode == ua.MessageSecurityModeSign && e.SecurityPolicyURI == ua.SecurityPolicyURIBasic256Sha256
		}, "it offers Basic256Sha256/Sign"},
		{"older policy", func(e *ua.EndpointDescription) bool {
			return e.SecurityMode == ua.MessageSecurityModeSignAndEncrypt && e.SecurityPolicyURI == ua.SecurityPolicyURIBasic256
		}, "it offers Basic256/SignAndEncrypt"},
		{"nothing", func(*ua.EndpointDescription) bool { return false }, "it offers nothing"},
	} {
		_, err := choose(&s, only(tt.keep), now)
		var conf *configError
		if !errors.As(err, &conf) || conf.help == "" || len(mention(err, "does not offer policy Basic256Sha256 with mode SignAndEncrypt", tt.text)) > 0 {
			t.Errorf("%s: got %v", tt.name, err)
		}
	}
}

// TestDowngradeOnTheWire connects to a server that has no policy at all.
func TestDowngradeOnTheWire(t *testing.T) {
	p := another(t, plantSpec{secureOnly: true})
	s := settings(t, p.address, security{PolicyNone, ModeNone})
	refused(t, s, link.ConfigClass, "does not offer policy None with mode None", "it offers Basic128Rsa15/Sign")
}

// TestPasswordIsNotGivenAway forges what a server says about logins.
func TestPasswordIsNotGivenAway(t *testing.T) {
	login := func(kind ua.UserTokenType, policy string) *ua.UserTokenPolicy {
		return &ua.UserTokenPolicy{PolicyID: policy, TokenType: kind, SecurityPolicyURI: policy}
	}
	named := User{Name: testUser, Password: testPassword}
	x509User := User{Certificate: []byte{1}}
	const strong = ua.SecurityPolicyURIBasic256Sha256
	for _, tt := range []struct {
		sec    security
		user   User
		offers []*ua.UserTokenPolicy
		want   string // policy chosen, or text of the refusal behind a !
	}{
		{best, named, []*ua.UserTokenPolicy{login(ua.UserTokenTypeUserName, ua.SecurityPolicyURINone)}, ua.SecurityPolicyURINone},
		{best, named, []*ua.UserTokenPolicy{login(ua.UserTokenTypeUserName, "")}, ""},
		{security{PolicyBasic256Sha256, ModeSign}, named, []*ua.UserTokenPolicy{login(ua.UserTokenTypeUserName, "")}, ""},
		{security{PolicyBasic256Sha256, ModeSign}, named, []*ua.UserTokenPolicy{login(ua.UserTokenTypeUserName, ua.SecurityPolicyURINone)}, "!without encryption"},
		{security{PolicyBasic256Sha256, ModeSign}, named, []*ua.UserTokenPolicy{nil, login(ua.UserTokenTypeUserName, ua.SecurityPolicyURINone), login(ua.UserTokenTypeUserName, strong)}, strong},
		{security{PolicyNone, ModeNone}, named, []*ua.UserTokenPolicy{login(ua.UserTokenTypeUserName, "")}, "!without encryption"},
		{security{PolicyNone, ModeNone}, named, []*ua.UserTokenPolicy{login(ua.UserTokenTypeUserName, strong)}, strong},
		{best, x509User, []*ua.UserTokenPolicy{login(ua.UserTokenTypeCertificate, ua.SecurityPolicyURINone)}, "!without encryption"},
		{best, named, []*ua.UserTokenPolicy{login(ua.UserTokenTypeAnonymous, "")}, "!it takes anonymous"},
		{best, User{}, []*ua.UserTokenPolicy{login(ua.UserTokenTypeUserName, "")}, "!it takes user name"},
	} {
		s := Settings{Policy: tt.sec.policy, Mode: tt.sec.mode, User: tt.user}
		got, err := chooseLogin(&s, &ua.EndpointDescription{UserIdentityTokens: tt.offers})
		if text, bad := strings.CutPrefix(tt.want, "!"); bad {
			if err == nil || !strings.Contains(err.Error(), text) {
				t.Errorf("%v %v: got %v, want %q", tt.sec, describe(tt.user.kind()), err, text)
			}
			continue
		}
		if err != nil || got.SecurityPolicyURI != tt.want || got.TokenType != tt.user.kind() {
			t.Errorf("%v %v: got %+v, %v, want policy %q", tt.sec, describe(tt.user.kind()), got, err, tt.want)
		}
	}
}

// TestServerCertificate changes one thing about the server's certificate at a
// time, and once all.
func TestServerCertificate(t *testing.T) {
	key := vaultOf(t).server
	now := time.Now()
	for _, tt := range []struct {
		name  string
		spec  certificateSpec
		calls string // application URI that the server calls itself
		texts []string
	}{
		{"good", certificateSpec{}, serverURI, nil},
		{"expired", certificateSpec{notAfter: now.Add(-time.Minute)}, serverURI, []string{"expired on"}},
		{"not yet", certificateSpec{notBefore: now.Add(time.Hour)}, serverURI, []string{"not valid before"}},
		{"host", certificateSpec{host: "other.mill.test"}, serverURI, []string{"is for other.mill.test, want 127.0.0.1"}},
		{"application", certificateSpec{}, "urn:impostor", []string{`the server calls itself "urn:impostor"`}},
		{"no application", certificateSpec{}, "", []string{`the server calls itself ""`}},
		{"short key", certificateSpec{bits: 1024}, serverURI, []string{"1024 bits, want 2048"}},
		{"everything", certificateSpec{host: "other.mill.test", notAfter: now.Add(-time.Minute)}, "urn:impostor",
			[]string{"expired on", "other.mill.test", "urn:impostor"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if tt.spec.bits == 0 {
				tt.spec.key = key
			}
			_, der, err := makeCertificate(tt.spec)
			if err != nil {
				t.Fatal(err)
			}
			s := settings(t, "127.0.0.1:4840", best)
			s.Folder = t.TempDir()
			c := mustParse(der)
			e := &ua.EndpointDescription{Server: &ua.ApplicationDescription{ApplicationURI: tt.calls}}
			if err := checkServer(&s, c, e, now); err == nil || !strings.Contains(err.Error(), "is not trusted") {
				t.Errorf("without the trust list: got %v", err)
			}
			if _, err := (TrustList{s.Folder}).Accept(der, certificateOf(c, "").Fingerprint); err != nil {
				t.Fatal(err)
			}
			err = checkServer(&s, c, e, now)
			if len(tt.texts) == 0 && err != nil {
				t.Errorf("refused: %v", err)
			}
			for _, text := range mention(err, tt.texts...) {
				t.Errorf("text lacks %q: %v", text, err)
			}
			if len(tt.texts) > 0 && len(strings.Split(err.Error(), "\n")) != len(tt.texts) {
				t.Errorf("want %d problems: %v", len(tt.texts), err)
			}
		})
	}
}

// TestSwappedCertificate restarts the server with another certificate of the
// same name.
func TestSwappedCertificate(t *testing.T) {
	dir := t.TempDir()
	key, der, err := makeCertificate(certificateSpec{})
	if err != nil {
		t.Fatal(err)
	}
	if err := writePair(filepath.Join(dir, "c"), filepath.Join(dir, "k"), der, key); err != nil {
		t.Fatal(err)
	}
	swapped := another(t, plantSpec{certFile: filepath.Join(dir, "c"), keyFile: filepath.Join(dir, "k")})
	px := newProxy(t, fresh(t).address)
	s := settings(t, px.address(), best)
	d := dialer(t, s)
	p, err := d.Dial(bounded(t, patience))
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Close(); err != nil {
		t.Fatal(err)
	}
	px.aim(swapped.address)
	_, err = d.Dial(bounded(t, patience))
	if link.ClassOf(err) != link.ConfigClass || len(mention(err, "is not trusted", certificateOf(mustParse(der), "").Fingerprint)) > 0 {
		t.Errorf("got %v, want the swapped certificate refused", err)
	}
}

// TestImpostor has the certificate of the real server but not its key: what it
// says before the channel is opened is right, and it gets no further.
func TestImpostor(t *testing.T) {
	genuine, swapped := fresh(t), t.TempDir()
	key, der, err := makeCertificate(certificateSpec{})
	if err != nil {
		t.Fatal(err)
	}
	if err := writePair(filepath.Join(swapped, "c"), filepath.Join(swapped, "k"), der, key); err != nil {
		t.Fatal(err)
	}
	impostor := another(t, plantSpec{certFile: filepath.Join(swapped, "c"), keyFile: filepath.Join(swapped, "k")})
	px := newProxy(t, genuine.address)
	s := settings(t, px.address(), best)
	n := 0
	px.stall = func(b []byte) bool { // the second greeting is led to the impostor
		if bytes.HasPrefix(b, []byte("HEL")) {
			if n++; n == 1 {
				px.aim(impostor.address)
			}
		}
		return false
	}
	p, err := dialer(t, s).Dial(bounded(t, patience))
	if err == nil {
		_ = p.Close()
		t.Fatal("connected to a server without the key")
	}
	if link.ClassOf(err) != link.Down {
		t.Errorf("got %v, want down", err)
	}
	impostor.with(func() {
		if len(impostor.sessions) > 0 || impostor.requests > 0 {
			t.Errorf("the impostor was asked %d times", impostor.requests)
		}
	})
}

func TestWarnings(t *testing.T) {
	p := fresh(t)
	var got []Warning
	s := settings(t, p.address, security{PolicyNone, ModeNone})
	s.Warn = func(w Warning) { got = append(got, w) }
	d := dialer(t, s)
	for range 3 {
		port, err := d.Dial(bounded(t, patience))
		if err != nil {
			t.Fatal(err)
		}
		_ = port.Close()
	}
	if len(got) != 1 || got[0].Code != "no-security" || !strings.Contains(got[0].Text, "NO SECURITY") || got[0].Help == "" {
		t.Errorf("got %+v, want one warning of no security", got)
	}
	got = nil
	d.tell(true, "skew", Warning{Code: "a"})
	d.tell(true, "skew", Warning{Code: "b"})
	d.tell(false, "skew", Warning{})
	d.tell(true, "skew", Warning{Code: "c"})
	if fmt.Sprint(got) != "[{a  } {c  }]" {
		t.Errorf("got %v, want the first of each time", got)
	}
}

func TestExpiryIsWarnedAhead(t *testing.T) {
	now := time.Now()
	_, der, err := makeCertificate(certificateSpec{key: vaultOf(t).server, notAfter: now.Add(link.ExpiryNotice - time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	var got []Warning
	s := settings(t, "127.0.0.1:4840", best)
	s.Warn = func(w Warning) { got = append(got, w) }
	d := dialer(t, s)
	d.warnOf(&serverEndpoint{leaf: mustParse(der)}, now.Add(-2*time.Hour))
	if len(got) != 0 {
		t.Errorf("warned early: %+v", got)
	}
	d.warnOf(&serverEndpoint{leaf: mustParse(der)}, now)
	if len(got) != 1 || got[0].Code != "expiry" {
		t.Errorf("got %+v, want a warning of expiry", got)
	}
	got = nil
	if err := d.checkOwn(d.own.cert.NotAfter.Add(-link.ExpiryNotice + time.Hour)); err != nil || len(got) != 1 {
		t.Errorf("own certificate: %v, %+v", err, got)
	}
	if err := d.checkOwn(d.own.cert.NotAfter.Add(time.Second)); err == nil || !strings.Contains(err.Error(), "expired on") {
		t.Errorf("own certificate after its end: %v", err)
	}
}

func TestClockSkew(t *testing.T) {
	var got []Warning
	d := dialer(t, settings(t, "127.0.0.1:4840", security{PolicyNone, ModeNone}))
	d.settings.Warn = func(w Warning) { got = append(got, w) }
	p := &connection{dialer: d}
	asked := time.Now()
	for _, tt := range []struct {
		ahead time.Duration
		warns int
	}{{4 * time.Second, 0}, {-6 * time.Second, 1}, {-7 * time.Second, 1}, {0, 1}, {time.Hour, 2}} {
		p.measure(asked, asked.Add(100*time.Millisecond), asked.Add(50*time.Millisecond+tt.ahead))
		if p.Skew() != tt.ahead || len(got) != tt.warns {
			t.Errorf("ahead by %v: skew %v, warnings %+v", tt.ahead, p.Skew(), got)
		}
	}
	live := dial(t, settings(t, fresh(t).address, best))
	if live.Skew().Abs() > time.Minute {
		t.Errorf("skew to a server on the same machine is %v", live.Skew())
	}
}

func TestSettings(t *testing.T) {
	s := settings(t, "127.0.0.1:4840", best)
	if bad := s.check(); len(bad) > 0 {
		t.Fatal(bad)
	}
	s = Settings{Endpoint: "http://u:secret-word@h", Policy: "Basic128", User: User{Name: "a", Certificate: []byte{1}},
		Nodes: map[handshake.ID]string{handshake.OUT: "Out", handshake.ACK: "g=xx"}}
	_, err := New(s)
	for _, text := range mention(err, "endpoint holds a login", "name of the line is empty", "policy \"Basic128\"", "both a user name and a user certificate",
		"user certificate: x509", "namespace is empty", "identifier of block OUT", "node of block ACK", "folder", "request timeout", "clock skew") {
		t.Errorf("text lacks %q: %v", text, err)
	}
	if strings.Contains(err.Error(), "secret-word") {
		t.Errorf("the login in the address is shown: %v", err)
	}
	for _, tt := range []struct {
		policy Policy
		mode   Mode
	}{{PolicyNone, ModeSign}, {PolicyBasic256Sha256, ModeNone}, {PolicyBasic256Sha256, "sign"}, {"", ""}} {
		s := settings(t, "127.0.0.1:4840", security{tt.policy, tt.mode})
		if len(s.check()) != 1 {
			t.Errorf("%q with %q: %v, want one problem", tt.policy, tt.mode, s.check())
		}
	}
}

func TestIdentifiers(t *testing.T) {
	s := Settings{Line: "line1", Nodes: map[handshake.ID]string{handshake.OUT: "DB7.Out[*]", handshake.ACK: "i=17", handshake.HELLO: "s=i=3"}}
	for _, tt := range []struct {
		id    handshake.ID
		entry int
		want  string
	}{
		{handshake.REQ, 0, "ns=4;s=line1.Request"}, {handshake.OUT, 7, "ns=4;s=DB7.Out[07]"}, {handshake.OUT, 63, "ns=4;s=DB7.Out[63]"},
		{handshake.ACK, 0, "ns=4;i=17"}, {handshake.HELLO, 0, "ns=4;s=i=3"},
	} {
		n, err := nodeID(4, s.identifier(tt.id, tt.entry))
		if err != nil || n.String() != tt.want {
			t.Errorf("%s entry %d: got %v, %v, want %s", tt.id, tt.entry, n, err, tt.want)
		}
	}
	seen := map[string]bool{}
	for _, b := range handshake.IDs() {
		for entry := range handshake.OutEntries {
			if b != handshake.OUT && entry > 0 {
				break
			}
			name := NodeName("line1", b, entry)
			if seen[name] || !strings.HasPrefix(name, "line1.") {
				t.Errorf("%s entry %d is %q", b, entry, name)
			}
			seen[name] = true
		}
	}
	if len(seen) != handshake.Blocks-1+handshake.OutEntries {
		t.Errorf("%d names", len(seen))
	}
}

func TestSecretIsNotShown(t *testing.T) {
	s := Secret("hush-hush")
	u := User{Name: "a", Password: s}
	for _, text := range []string{fmt.Sprint(s), fmt.Sprintf("%s %v %+v %#v %q", s, s, s, s, s), fmt.Sprintf("%+v %#v", u, u), fmt.Sprintf("%+v", Settings{User: u})} {
		if strings.Contains(text, "hush") {
			t.Errorf("the secret is shown: %s", text)
		}
	}
}

func TestParseUser(t *testing.T) {
	v := vaultOf(t)
	dir := t.TempDir()
	cert, key := filepath.Join(dir, "user.crt"), filepath.Join(dir, "user.key")
	if err := writePair(cert, key, v.userCert, v.user); err != nil {
		t.Fatal(err)
	}
	parse := func(cert, key string) (User, error) {
		c, err := os.ReadFile(cert)
		if err != nil {
			t.Fatal(err)
		}
		k, err := os.ReadFile(key)
		if err != nil {
			t.Fatal(err)
		}
		return ParseUser(c, k)
	}
	u, err := parse(cert, key)
	if err != nil || !u.Key.Equal(v.user) || string(u.Certificate) != string(v.userCert) {
		t.Fatalf("got %v", err)
	}
	if _, err := parse(cert, v.keyFile); err == nil || !strings.Contains(err.Error(), "do not belong together") {
		t.Errorf("foreign key: %v", err)
	}
	if _, err := parse(v.keyFile, v.keyFile); err == nil || !strings.Contains(err.Error(), "want a CERTIFICATE") {
		t.Errorf("key for a certificate: %v", err)
	}
}
