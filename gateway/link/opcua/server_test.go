package opcua

import (
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/awcullen/opcua/server"
	serverua "github.com/awcullen/opcua/ua"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link/linktest"
)

// The server's own words.
const (
	testLine     = "line1"
	testUser     = "wrapper"
	testPassword = "Kraft-125 g"
	serverURI    = "urn:mill.test:controller"
)

// plant is a controller: its variables, the server that shows them, and what
// can be wrong with its answers.
type plant struct {
	mu       sync.Mutex
	image    map[string][]uint16 // by node name
	requests int
	refuse   bool                          // the next request
	ring     int                           // reads of entries of the ring
	odd      map[string]serverua.DataValue // shown instead of the value
	sessions []*server.Session             // that read or wrote, newest last

	srv     *server.Server
	address string // host:port
	ended   chan error
}

// vault is the folder of certificates of one test process.
type vault struct {
	folder           string // of the gateway
	server, user     *rsa.PrivateKey
	serverCert       []byte // DER
	userCert         []byte
	certFile         string
	keyFile          string
	trustedByServer  string
	rejectedByServer string
}

var testVault = sync.OnceValues(makeVault)

func makeVault() (*vault, error) {
	dir, err := os.MkdirTemp("", "opcua-test-")
	if err != nil {
		return nil, err
	}
	v := vaultIn(dir)
	own, err := OwnCertificate(v.folder)
	if err != nil {
		return nil, err
	}
	if v.server, v.serverCert, err = makeCertificate(certificateSpec{}); err != nil {
		return nil, err
	}
	if v.user, v.userCert, err = makeCertificate(certificateSpec{uri: "urn:mill.test:operator"}); err != nil {
		return nil, err
	}
	if err := writePair(v.certFile, v.keyFile, v.serverCert, v.server); err != nil {
		return nil, err
	}
	if err := os.WriteFile(v.trustedByServer, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: own.DER}), 0o600); err != nil {
		return nil, err
	}
	if _, err := (TrustList{v.folder}).Accept(v.serverCert, certificateOf(mustParse(v.serverCert), "").Fingerprint); err != nil {
		return nil, err
	}
	return v, nil
}

// vaultIn names the files of a vault.
func vaultIn(dir string) *vault {
	return &vault{folder: filepath.Join(dir, "pki"), certFile: filepath.Join(dir, "server.crt"), keyFile: filepath.Join(dir, "server.key"),
		trustedByServer: filepath.Join(dir, "trusted.crt"), rejectedByServer: filepath.Join(dir, "rejected")}
}

func mustParse(der []byte) *x509.Certificate {
	c, err := x509.ParseCertificate(der)
	if err != nil {
		panic(err)
	}
	return c
}

func writePair(certFile, keyFile string, der []byte, key *rsa.PrivateKey) error {
	if err := os.WriteFile(certFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600); err != nil {
		return err
	}
	return os.WriteFile(keyFile, pem.EncodeToMemory(&pem.Block{Type: "RSA PRIVATE KEY", Bytes: x509.MarshalPKCS1PrivateKey(key)}), 0o600)
}

// certificateSpec is what a test certificate has other than a good one.
type certificateSpec struct {
	uri                 string
	host                string
	notBefore, notAfter time.Time
	bits                int
	key                 *rsa.PrivateKey
}

func makeCertificate(s certificateSpec) (*rsa.PrivateKey, []byte, error) {
	if s.uri == "" {
		s.uri = serverURI
	}
	if s.notBefore.IsZero() {
		s.notBefore = time.Now().Add(-time.Hour)
	}
	if s.notAfter.IsZero() {
		s.notAfter = time.Now().Add(365 * 24 * time.Hour)
	}
	if s.bits == 0 {
		s.bits = keyBits
	}
	key := s.key
	for key == nil {
		made, err := rsa.GenerateKey(rand.Reader, s.bits)
		if err != nil {
			return nil, nil, err
		}
		// The server takes the length of the exponent for that of the modulus.
		if len(made.D.Bytes()) == s.bits/8 {
			key = made
		}
	}
	application, err := url.Parse(s.uri)
	if err != nil {
		return nil, nil, err
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()),
		Subject:      pkix.Name{CommonName: "controller of the mill"},
		URIs:         []*url.URL{application},
		NotBefore:    s.notBefore, NotAfter: s.notAfter,
		KeyUsage:    x509.KeyUsageDigitalSignature | x509.KeyUsageContentCommitment | x509.KeyUsageKeyEncipherment | x509.KeyUsageDataEncipherment | x509.KeyUsageCertSign,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}
	if s.host == "" {
		template.DNSNames, template.IPAddresses = []string{"localhost"}, []net.IP{net.IPv4(127, 0, 0, 1)}
	} else {
		template.DNSNames = []string{s.host}
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	return key, der, err
}

func TestMain(m *testing.M) {
	code := m.Run()
	if v, err := testVault(); err == nil {
		_ = os.RemoveAll(filepath.Dir(v.folder))
	}
	os.Exit(code)
}

func vaultOf(t testing.TB) *vault {
	t.Helper()
	v, err := testVault()
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// plantSpec is what a plant has other than the usual.
type plantSpec struct {
	uri               string // namespace
	namespaces        int    // foreign ones before it
	limit             uint32 // of nodes in one read
	certFile, keyFile string
	readOnly          bool
	without           string // node that is missing
	secureOnly        bool   // no policy None
	vault             *vault // another than that of the test process
}

// sharedPlant is the server that most tests use: one server takes long to end.
var sharedPlant = sync.OnceValues(func() (*plant, error) { return newPlant(plantSpec{}) })

func newPlant(spec plantSpec) (*plant, error) {
	v := spec.vault
	if v == nil {
		var err error
		if v, err = testVault(); err != nil {
			return nil, err
		}
	}
	if spec.certFile == "" {
		spec.certFile, spec.keyFile = v.certFile, v.keyFile
	}
	if spec.uri == "" {
		spec.uri = NamespaceURI
	}
	p := &plant{image: map[string][]uint16{}, odd: map[string]serverua.DataValue{}, ended: make(chan error, 1)}
	// The server takes a port from its address only.
	var err error
	if p.address, err = linktest.FreeAddress(); err != nil {
		return nil, err
	}
	capabilities := serverua.NewServerCapabilities()
	if spec.limit > 0 {
		capabilities.OperationLimits.MaxNodesPerRead = spec.limit
	}
	endpoint := "opc.tcp://" + p.address
	p.srv, err = server.New(
		serverua.ApplicationDescription{
			ApplicationURI: serverURI, ProductURI: serverURI, ApplicationType: serverua.ApplicationTypeServer,
			ApplicationName: serverua.NewLocalizedText("controller", "en"), DiscoveryURLs: []string{endpoint},
		},
		spec.certFile, spec.keyFile, endpoint,
		server.WithServerCapabilities(capabilities),
		server.WithServerDiagnostics(false),
		server.WithTrustedCertificatesPaths(v.trustedByServer, ""),
		server.WithRejectedCertificatesPath(v.rejectedByServer),
		server.WithSecurityPolicyNone(!spec.secureOnly),
		server.WithAnonymousIdentity(true),
		server.WithAuthenticateUserNameIdentityFunc(func(u serverua.UserNameIdentity, _, _ string) error {
			if u.UserName != testUser || u.Password != testPassword {
				return serverua.BadUserAccessDenied
			}
			return nil
		}),
		server.WithAuthenticateX509IdentityFunc(func(u serverua.X509Identity, _, _ string) error {
			if string(u.Certificate) != string(v.userCert) {
				return serverua.BadUserAccessDenied
			}
			return nil
		}),
	)
	if err != nil {
		return nil, err
	}
	if err := p.addNodes(spec); err != nil {
		return nil, err
	}
	go func() { p.ended <- p.srv.ListenAndServe() }()
	for { // the server does not say when it listens
		conn, err := net.Dial("tcp", p.address)
		if err == nil {
			return p, conn.Close()
		}
		select {
		case err := <-p.ended:
			return nil, fmt.Errorf("server: %w", err)
		case <-time.After(10 * time.Millisecond):
		}
	}
}

func (p *plant) addNodes(spec plantSpec) error {
	nm := p.srv.NamespaceManager()
	for i := range spec.namespaces {
		nm.Add(fmt.Sprintf("urn:mill.test:other:%d", i))
	}
	ns := nm.Add(spec.uri)
	all := serverua.PermissionTypeBrowse | serverua.PermissionTypeRead | serverua.PermissionTypeWrite
	rights := []serverua.RolePermissionType{
		{RoleID: serverua.ObjectIDWellKnownRoleAnonymous, Permissions: all},
		{RoleID: serverua.ObjectIDWellKnownRoleAuthenticatedUser, Permissions: all},
	}
	var nodes []server.Node
	for _, b := range handshake.IDs() {
		entries := 1
		if b == handshake.OUT {
			entries = handshake.OutEntries
		}
		for entry := range entries {
			name, words := NodeName(testLine, b, entry), handshake.Words(b)
			if name == spec.without {
				continue
			}
			access := serverua.AccessLevelsCurrentRead
			if handshake.GatewayOwned(b) && !spec.readOnly {
				access |= serverua.AccessLevelsCurrentWrite
			}
			n := server.NewVariableNode(p.srv, serverua.NewNodeIDString(ns, name),
				serverua.NewQualifiedName(ns, name), serverua.NewLocalizedText(name, "en"),
				serverua.NewLocalizedText("", ""), rights,
				[]serverua.Reference{
					serverua.NewReference(serverua.ReferenceTypeIDOrganizes, true, serverua.NewExpandedNodeID(serverua.ObjectIDObjectsFolder)),
					serverua.NewReference(serverua.ReferenceTypeIDHasTypeDefinition, false, serverua.NewExpandedNodeID(serverua.VariableTypeIDBaseDataVariableType)),
				},
				serverua.NewDataValue(make([]uint16, words), serverua.Good, time.Now(), 0, time.Now(), 0),
				serverua.DataTypeIDUInt16, serverua.ValueRankOneDimension, []uint32{uint32(words)}, access, 0, false, nil)
			p.image[name] = make([]uint16, words)
			n.SetReadValueHandler(func(s *server.Session, _ serverua.ReadValueID) serverua.DataValue { return p.read(s, name) })
			n.SetWriteValueHandler(func(s *server.Session, w serverua.WriteValue) (serverua.DataValue, serverua.StatusCode) {
				return p.write(s, name, w)
			})
			nodes = append(nodes, n)
		}
	}
	return nm.AddNodes(nodes...)
}

func (p *plant) seen(s *server.Session) {
	p.requests++
	if !slices.Contains(p.sessions, s) {
		p.sessions = append(p.sessions, s)
	}
}

func (p *plant) read(s *server.Session, name string) serverua.DataValue {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.seen(s)
	if strings.Contains(name, ".Outcome.") {
		p.ring++
	}
	now := time.Now()
	if p.refuse {
		p.refuse = false
		return serverua.NewDataValue(nil, serverua.BadOutOfService, now, 0, now, 0)
	}
	if v, ok := p.odd[name]; ok {
		return v
	}
	return serverua.NewDataValue(slices.Clone(p.image[name]), serverua.Good, now, 0, now, 0)
}

func (p *plant) write(s *server.Session, name string, w serverua.WriteValue) (serverua.DataValue, serverua.StatusCode) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.seen(s)
	words, ok := w.Value.Value.([]uint16)
	switch {
	case p.refuse:
		p.refuse = false
		return serverua.DataValue{}, serverua.BadNotWritable
	case !ok || len(words) != len(p.image[name]):
		return serverua.DataValue{}, serverua.BadTypeMismatch
	case !w.Value.SourceTimestamp.IsZero() || !w.Value.ServerTimestamp.IsZero() || w.Value.StatusCode != 0:
		return serverua.DataValue{}, serverua.BadWriteNotSupported
	}
	copy(p.image[name], words)
	return w.Value, serverua.Good
}

// with changes the plant under its lock.
func (p *plant) with(change func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	change()
}

func (p *plant) load(id handshake.ID, entry int, dst []uint16) {
	p.with(func() { copy(dst, p.image[NodeName(testLine, id, entry)]) })
}

func (p *plant) store(id handshake.ID, entry int, words []uint16) {
	p.with(func() { copy(p.image[NodeName(testLine, id, entry)], words) })
}

func (p *plant) count() (n int) {
	p.with(func() { n = p.requests })
	return n
}

func (p *plant) ringReads() (n int) {
	p.with(func() { n = p.ring })
	return n
}

// fresh makes the shared plant as new.
func fresh(t testing.TB) *plant {
	t.Helper()
	p, err := sharedPlant()
	if err != nil {
		t.Fatal(err)
	}
	p.with(func() {
		for _, words := range p.image {
			clear(words)
		}
		p.refuse, p.sessions, p.requests = false, nil, 0
		clear(p.odd)
	})
	return p
}

// another starts a plant of the test's own. It is not waited for at the end:
// the server gives its clients three seconds to go.
func another(t testing.TB, spec plantSpec) *plant {
	t.Helper()
	p, err := newPlant(spec)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { go func() { _ = p.srv.Close() }() })
	return p
}

// security is one way to secure a connection.
type security struct {
	policy Policy
	mode   Mode
}

func (s security) String() string { return fmt.Sprintf("%s %s", s.policy, s.mode) }

// securities are all ways, each policy with each of its modes.
func securities() []security {
	out := []security{{PolicyNone, ModeNone}}
	for _, p := range Policies()[1:] {
		out = append(out, security{p, ModeSign}, security{p, ModeSignAndEncrypt})
	}
	return out
}

// settings lead to an address as the test vault allows.
func settings(t testing.TB, address string, sec security) Settings {
	s := DefaultSettings()
	s.Endpoint, s.Line = "opc.tcp://"+address, testLine
	s.Policy, s.Mode = sec.policy, sec.mode
	s.Folder = vaultOf(t).folder
	s.Timeout = patience
	return s
}

func dialer(t testing.TB, s Settings) *Dialer {
	t.Helper()
	d, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// harness puts a proxy before the shared plant.
func harness(t *testing.T, sec security) *linktest.Harness {
	p := fresh(t)
	px := newProxy(t, p.address)
	faults := []linktest.Fault{linktest.Refuse, linktest.Hangup, linktest.FIN, linktest.RST, linktest.Landed,
		linktest.BlackHole, linktest.Late, linktest.CutReply, linktest.BadLength, linktest.Segmented}
	if sec.policy != PolicyNone { // else nothing tells that a bit changed
		faults = append(faults, linktest.Noise)
	}
	s := settings(t, px.address(), sec)
	return &linktest.Harness{
		Dialer:   dialer(t, s),
		Nowhere:  dialer(t, settings(t, closedAddress(t), sec)),
		Load:     p.load,
		Store:    p.store,
		Requests: px.count,
		Faults:   faults,
		Play: func(f linktest.Fault) {
			if f == linktest.Refuse {
				p.with(func() { p.refuse = true })
				return
			}
			px.play(f)
		},
		Land: px.land,
	}
}

func closedAddress(t testing.TB) string {
	t.Helper()
	address, err := linktest.FreeAddress()
	if err != nil {
		t.Fatal(err)
	}
	return address
}

func mention(err error, texts ...string) (missing []string) {
	for _, text := range texts {
		if err == nil || !strings.Contains(err.Error(), text) {
			missing = append(missing, text)
		}
	}
	return missing
}
