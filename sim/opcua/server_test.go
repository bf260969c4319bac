package opcua

import (
	"context"
	"crypto/rsa"
	"crypto/tls"
	"errors"
	"io"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/gopcua/opcua"
	"github.com/gopcua/opcua/ua"

	"lapgate/sim/controller"
	"lapgate/sim/nodeset"
	"lapgate/sim/registers"
)

const line = "north"

func serveTest(t *testing.T, c Config) (*Server, *controller.Image) {
	t.Helper()
	image := controller.NewImage(controller.DefaultBases())
	if c.Addr == "" {
		c.Addr = "127.0.0.1:0"
	}
	c.Line = line
	s, err := Listen(t.Context(), c, image)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s, image
}

// open is a server for anonymous clients without security.
var open = Config{Plain: true, Anonymous: true}

// pair makes a client's certificate and key.
func pair(t *testing.T) (der []byte, key *rsa.PrivateKey, certFile string) {
	t.Helper()
	certFile, keyFile, err := makePair(t.TempDir(), "127.0.0.1:0", time.Now(), lifetime)
	if err != nil {
		t.Fatal(err)
	}
	p, err := tls.LoadX509KeyPair(certFile, keyFile)
	if err != nil {
		t.Fatal(err)
	}
	return p.Certificate[0], p.PrivateKey.(*rsa.PrivateKey), certFile
}

// dialer is a client of another library than the server's.
func dial(t *testing.T, s *Server, o ...opcua.Option) (*opcua.Client, error) {
	t.Helper()
	o = append(o, opcua.AutoReconnect(false), opcua.ApplicationURI(ApplicationURI), opcua.DialTimeout(2*time.Minute), opcua.RequestTimeout(2*time.Minute))
	c, err := opcua.NewClient(s.URL(), o...)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	if err := c.Connect(ctx); err != nil {
		return nil, err
	}
	t.Cleanup(func() { _ = c.Close(context.Background()) })
	return c, nil
}

func mustDial(t *testing.T, s *Server, o ...opcua.Option) *opcua.Client {
	t.Helper()
	c, err := dial(t, s, o...)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func id(t *testing.T, c *opcua.Client, name string) *ua.NodeID {
	t.Helper()
	ns, err := c.FindNamespace(t.Context(), nodeset.URI)
	if err != nil {
		t.Fatal(err)
	}
	return ua.NewStringNodeID(ns, line+"."+name)
}

func read(t *testing.T, c *opcua.Client, r *ua.ReadValueID) *ua.DataValue {
	t.Helper()
	res, err := c.Read(t.Context(), &ua.ReadRequest{NodesToRead: []*ua.ReadValueID{r}, TimestampsToReturn: ua.TimestampsToReturnBoth})
	if err != nil {
		t.Fatal(err)
	}
	return res.Results[0]
}

func write(t *testing.T, c *opcua.Client, w *ua.WriteValue) ua.StatusCode {
	t.Helper()
	if w.AttributeID == 0 {
		w.AttributeID = ua.AttributeIDValue
	}
	res, err := c.Write(t.Context(), &ua.WriteRequest{NodesToWrite: []*ua.WriteValue{w}})
	if err != nil {
		t.Fatal(err)
	}
	return res.Results[0]
}

func value(v any) *ua.DataValue {
	return &ua.DataValue{EncodingMask: ua.DataValueValue, Value: ua.MustVariant(v)}
}

// browse walks the references of the server down from a node and returns the
// browse path of every node below it.
func browse(t *testing.T, c *opcua.Client, from *ua.NodeID, path string, seen map[string]*ua.NodeID) {
	t.Helper()
	refs, err := c.Node(from).ReferencedNodes(t.Context(), 33, ua.BrowseDirectionForward, ua.NodeClassAll, true) // hierarchical
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range refs {
		name, err := n.BrowseName(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		below := path + "/" + name.Name
		if seen[below] != nil {
			t.Errorf("%s stands twice", below)
		}
		seen[below] = n.ID
		browse(t, c, n.ID, below, seen)
	}
}

// One server serves all these: a server takes half a second to make, most of
// it to load the standard nodes.
func TestOpenServer(t *testing.T) {
	s, image := serveTest(t, open)
	for _, c := range []struct {
		name string
		test func(*testing.T, *Server, *controller.Image)
	}{
		{"space is the table", spaceIsTheTable},
		{"writes are strict", writesAreStrict},
		{"index ranges", indexRanges},
		{"listens where told", listensWhereTold},
		{"faults of image and wire", faultsOfImageAndWire},
	} {
		t.Run(c.name, func(t *testing.T) { c.test(t, s, image) })
	}
}

// What a client finds by browsing is what the table says, with types, lengths
// and access levels.
func spaceIsTheTable(t *testing.T, s *Server, _ *controller.Image) {
	c := mustDial(t, s)
	ns, err := c.FindNamespace(t.Context(), nodeset.URI)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]*ua.NodeID{}
	root := ua.NewNumericNodeID(ns, nodeset.RootID)
	browse(t, c, root, "", seen)
	want := map[string]string{
		"/north": "north", "/north/Handshake": "north.Handshake", "/north/Display": "north.Display",
		"/north/Display/Request": "north.Display.Request", "/north/Display/Recipe": "north.Display.Recipe",
		"/north/Display/Outcome": "north.Display.Outcome",
	}
	for _, b := range nodeset.Blocks() {
		want["/north/Handshake/"+b.Browse] = b.NodeID(line)
	}
	for _, d := range nodeset.Displays() {
		at := "/north/Display/" + string(d.View) + "/" + d.Name
		want[at] = d.NodeID(line)
		if d.Unit != "" {
			want[at+"/EngineeringUnits"] = d.NodeID(line) + ".EngineeringUnits"
		}
	}
	for path, name := range want {
		if got := seen[path]; got == nil || got.StringID() != name || got.Namespace() != ns {
			t.Errorf("%s is %v, want %s", path, got, name)
		}
	}
	if len(seen) != len(want) {
		t.Errorf("%d nodes, the table has %d", len(seen), len(want))
	}
	blocksAreTyped(t, c, ns)
}

// blocksAreTyped holds the attributes of each block to the table, and its value
// to its size.
func blocksAreTyped(t *testing.T, c *opcua.Client, ns uint16) {
	t.Helper()
	for _, b := range nodeset.Blocks() {
		access := byte(ua.AccessLevelTypeCurrentRead)
		if b.Writable {
			access |= byte(ua.AccessLevelTypeCurrentWrite)
		}
		n := ua.NewStringNodeID(ns, b.NodeID(line))
		for attribute, want := range map[ua.AttributeID]any{
			ua.AttributeIDDataType: ua.NewNumericNodeID(0, 5), ua.AttributeIDValueRank: int32(1),
			ua.AttributeIDAccessLevel: access, ua.AttributeIDUserAccessLevel: access,
		} {
			got := read(t, c, &ua.ReadValueID{NodeID: n, AttributeID: attribute}).Value.Value()
			if id, ok := got.(*ua.NodeID); ok {
				got, want = id.String(), want.(*ua.NodeID).String()
			}
			if got != want {
				t.Errorf("%s: attribute %d is %v, want %v", b.ID, attribute, got, want)
			}
		}
		v := read(t, c, &ua.ReadValueID{NodeID: n, AttributeID: ua.AttributeIDValue})
		words, ok := v.Value.Value().([]uint16)
		if !ok || len(words) != b.Words || v.Status != ua.StatusOK || v.SourceTimestamp.IsZero() || v.ServerTimestamp.IsZero() {
			t.Errorf("%s is %v", b.ID, v)
		}
	}
	d := read(t, c, &ua.ReadValueID{NodeID: id(t, c, "Display.Request.Diameter"), AttributeID: ua.AttributeIDValue})
	if v, ok := d.Value.Value().(float64); !ok || v != 0 {
		t.Errorf("diameter is %v", d.Value.Value())
	}
}

func writesAreStrict(t *testing.T, s *Server, image *controller.Image) {
	c := mustDial(t, s)
	ack := id(t, c, "Ack")
	ten := func(first uint16) []uint16 { return append([]uint16{first}, make([]uint16, 9)...) }
	if st := write(t, c, &ua.WriteValue{NodeID: ack, Value: value(ten(0x414B))}); st != ua.StatusOK {
		t.Fatalf("a whole block: %v", st)
	}
	if got := image.Copy().Ack; got[0] != 0x414B {
		t.Fatalf("ACK is %04X", got)
	}
	stamped := value(ten(1))
	stamped.EncodingMask |= ua.DataValueSourceTimestamp
	stamped.SourceTimestamp = time.Now()
	for name, c2 := range map[string]struct {
		w    ua.WriteValue
		want ua.StatusCode
	}{
		"too short":        {ua.WriteValue{NodeID: ack, Value: value(ten(1)[:9])}, ua.StatusBadOutOfRange},
		"too long":         {ua.WriteValue{NodeID: ack, Value: value(append(ten(1), 0))}, ua.StatusBadOutOfRange},
		"empty":            {ua.WriteValue{NodeID: ack, Value: value([]uint16{})}, ua.StatusBadOutOfRange},
		"signed":           {ua.WriteValue{NodeID: ack, Value: value(make([]int16, 10))}, ua.StatusBadTypeMismatch},
		"wide":             {ua.WriteValue{NodeID: ack, Value: value(make([]uint32, 10))}, ua.StatusBadTypeMismatch},
		"scalar":           {ua.WriteValue{NodeID: ack, Value: value(uint16(1))}, ua.StatusBadTypeMismatch},
		"no value":         {ua.WriteValue{NodeID: ack, Value: &ua.DataValue{}}, ua.StatusBadTypeMismatch},
		"with a time":      {ua.WriteValue{NodeID: ack, Value: stamped}, ua.StatusBadWriteNotSupported},
		"a part":           {ua.WriteValue{NodeID: ack, IndexRange: "0:1", Value: value([]uint16{1, 2})}, ua.StatusBadWriteNotSupported},
		"the controller's": {ua.WriteValue{NodeID: id(t, c, "Request"), Value: value(make([]uint16, 96))}, ua.StatusBadNotWritable},
		"an outcome":       {ua.WriteValue{NodeID: id(t, c, "Outcome.07"), Value: value(make([]uint16, 40))}, ua.StatusBadNotWritable},
		"a display":        {ua.WriteValue{NodeID: id(t, c, "Display.Request.Width"), Value: value(1.0)}, ua.StatusBadNotWritable},
		"not there":        {ua.WriteValue{NodeID: id(t, c, "Nothing"), Value: value(uint16(1))}, ua.StatusBadNodeIDUnknown},
		"another name":     {ua.WriteValue{NodeID: ack, AttributeID: ua.AttributeIDDisplayName, Value: value("x")}, ua.StatusBadAttributeIDInvalid},
	} {
		if got := write(t, c, &c2.w); got != c2.want {
			t.Errorf("%s: %v, want %v", name, got, c2.want)
		}
	}
	if got := image.Copy().Ack; got != [10]uint16{0x414B} {
		t.Errorf("a refused write changed ACK: %04X", got)
	}
}

func indexRanges(t *testing.T, s *Server, image *controller.Image) {
	if err := image.Write(image.Bases().Hello, []uint16{10, 11, 12, 13, 14, 15, 16, 17, 18, 19}); err != nil {
		t.Fatal(err)
	}
	c := mustDial(t, s)
	for r, want := range map[string][]uint16{"3": {13}, "2:4": {12, 13, 14}, "8:20": {18, 19}} {
		v := read(t, c, &ua.ReadValueID{NodeID: id(t, c, "Hello"), AttributeID: ua.AttributeIDValue, IndexRange: r})
		if got, _ := v.Value.Value().([]uint16); !slices.Equal(got, want) {
			t.Errorf("range %s is %v, want %v", r, got, want)
		}
	}
	for r, want := range map[string]ua.StatusCode{
		"10": ua.StatusBadIndexRangeNoData, "4:2": ua.StatusBadIndexRangeInvalid, "x": ua.StatusBadIndexRangeInvalid, "1:1": ua.StatusBadIndexRangeInvalid,
	} {
		if v := read(t, c, &ua.ReadValueID{NodeID: id(t, c, "Hello"), AttributeID: ua.AttributeIDValue, IndexRange: r}); v.Status != want {
			t.Errorf("range %s: %v, want %v", r, v.Status, want)
		}
	}
}

// endpoint finds what the server offers for a policy and mode.
func endpoint(t *testing.T, s *Server, policy string, mode ua.MessageSecurityMode) *ua.EndpointDescription {
	t.Helper()
	all, err := opcua.GetEndpoints(t.Context(), s.URL())
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range all {
		if e.SecurityPolicyURI == policy && e.SecurityMode == mode {
			return e
		}
	}
	t.Fatalf("no endpoint for %s, %v", policy, mode)
	return nil
}

var policies = []string{ua.SecurityPolicyURIBasic256Sha256, ua.SecurityPolicyURIAes128Sha256RsaOaep, ua.SecurityPolicyURIAes256Sha256RsaPss}

func TestSecurityModesWithUsers(t *testing.T) {
	userCert, userKey, userFile := pair(t)
	folder := t.TempDir()
	copyFile(t, userFile, filepath.Join(folder, "user.pem"))
	s, image := serveTest(t, Config{Users: map[string]string{"line": "right"}, UserCertificates: folder, Anonymous: true})
	cert, key, _ := pair(t)
	for _, policy := range policies {
		for _, mode := range []ua.MessageSecurityMode{ua.MessageSecurityModeSign, ua.MessageSecurityModeSignAndEncrypt} {
			_, short, _ := strings.Cut(policy, "#")
			t.Run(short+"/"+mode.String(), func(t *testing.T) {
				ep := endpoint(t, s, policy, mode)
				secure := func(kind ua.UserTokenType, auth ...opcua.Option) []opcua.Option {
					o := append(slices.Clone(auth), opcua.Certificate(cert), opcua.PrivateKey(key))
					return append(o, opcua.SecurityFromEndpoint(ep, kind))
				}
				named := mustDial(t, s, secure(ua.UserTokenTypeUserName, opcua.AuthUsername("line", "right"))...)
				block := append([]uint16{uint16(len(short)), uint16(mode)}, make([]uint16, 8)...)
				if st := write(t, named, &ua.WriteValue{NodeID: id(t, named, "Hello"), Value: value(block)}); st != ua.StatusOK {
					t.Errorf("a user's write: %v", st)
				}
				if got := image.Copy().Hello; !slices.Equal(got[:], block) {
					t.Errorf("HELLO is %v, want %v", got, block)
				}
				by := mustDial(t, s, secure(ua.UserTokenTypeCertificate, opcua.AuthCertificate(userCert), opcua.AuthPrivateKey(userKey))...)
				if st := write(t, by, &ua.WriteValue{NodeID: id(t, by, "Ack"), Value: value(make([]uint16, 10))}); st != ua.StatusOK {
					t.Errorf("write of a user with a certificate: %v", st)
				}
				nobody := mustDial(t, s, secure(ua.UserTokenTypeAnonymous, opcua.AuthAnonymous())...)
				if st := write(t, nobody, &ua.WriteValue{NodeID: id(t, nobody, "Ack"), Value: value(make([]uint16, 10))}); st != ua.StatusBadUserAccessDenied {
					t.Errorf("an anonymous write beside users: %v", st)
				}
				if v := read(t, nobody, &ua.ReadValueID{NodeID: id(t, nobody, "Request"), AttributeID: ua.AttributeIDValue}); v.Status != ua.StatusOK {
					t.Errorf("an anonymous read: %v", v.Status)
				}
				for _, auth := range [][2]string{{"line", "wrong"}, {"other", "right"}, {"line", ""}} {
					if _, err := dial(t, s, secure(ua.UserTokenTypeUserName, opcua.AuthUsername(auth[0], auth[1]))...); !errors.Is(err, ua.StatusBadUserAccessDenied) {
						t.Errorf("user %q with %q: %v", auth[0], auth[1], err)
					}
				}
			})
		}
	}
	// The server's own client certificate is a certificate, but no user's.
	ep := endpoint(t, s, policies[0], ua.MessageSecurityModeSignAndEncrypt)
	if _, err := dial(t, s, opcua.AuthCertificate(cert), opcua.AuthPrivateKey(key), opcua.Certificate(cert), opcua.PrivateKey(key),
		opcua.SecurityFromEndpoint(ep, ua.UserTokenTypeCertificate)); !errors.Is(err, ua.StatusBadUserAccessDenied) {
		t.Errorf("a stranger's certificate as user: %v", err)
	}
	if _, err := dial(t, s); err == nil {
		t.Error("the policy None was not offered, and served")
	}
}

func copyFile(t *testing.T, from, to string) {
	t.Helper()
	b, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(to, b, 0o600); err != nil {
		t.Fatal(err)
	}
}

func TestTrustList(t *testing.T) {
	cert, key, certFile := pair(t)
	trusted, rejected := t.TempDir(), t.TempDir()
	s, _ := serveTest(t, Config{Trusted: trusted, Rejected: rejected, Anonymous: true})
	ep := endpoint(t, s, policies[0], ua.MessageSecurityModeSignAndEncrypt)
	secure := []opcua.Option{opcua.AuthAnonymous(), opcua.Certificate(cert), opcua.PrivateKey(key), opcua.SecurityFromEndpoint(ep, ua.UserTokenTypeAnonymous)}
	if _, err := dial(t, s, secure...); err == nil {
		t.Fatal("a client that is not trusted was served")
	}
	if files, err := os.ReadDir(rejected); err != nil || len(files) != 1 {
		t.Errorf("%d certificates set aside, %v", len(files), err)
	}
	copyFile(t, certFile, filepath.Join(trusted, "client.pem"))
	c := mustDial(t, s, secure...)
	if v := read(t, c, &ua.ReadValueID{NodeID: id(t, c, "Request"), AttributeID: ua.AttributeIDValue}); v.Status != ua.StatusOK {
		t.Errorf("read by a trusted client: %v", v.Status)
	}
}

// The library offers two policies that are broken. They carry no data here.
func TestOutdatedPoliciesCarryNothing(t *testing.T) {
	s, image := serveTest(t, Config{Anonymous: true})
	cert, key, _ := pair(t)
	ep := endpoint(t, s, ua.SecurityPolicyURIBasic256, ua.MessageSecurityModeSignAndEncrypt)
	c := mustDial(t, s, opcua.AuthAnonymous(), opcua.Certificate(cert), opcua.PrivateKey(key), opcua.SecurityFromEndpoint(ep, ua.UserTokenTypeAnonymous))
	if v := read(t, c, &ua.ReadValueID{NodeID: id(t, c, "Request"), AttributeID: ua.AttributeIDValue}); v.Status != ua.StatusBadSecurityPolicyRejected {
		t.Errorf("read: %v", v.Status)
	}
	if st := write(t, c, &ua.WriteValue{NodeID: id(t, c, "Ack"), Value: value([]uint16{1, 2, 3, 4, 5, 6, 7, 8, 9, 10})}); st != ua.StatusBadSecurityPolicyRejected {
		t.Errorf("write: %v", st)
	}
	if image.Copy().Ack != [10]uint16{} {
		t.Error("the refused write landed")
	}
}

// The server is reached at the address that it was told and at no other.
func listensWhereTold(t *testing.T, s *Server, _ *controller.Image) {
	_, outer, _ := net.SplitHostPort(s.Addr())
	_, inner, _ := net.SplitHostPort(s.inner.Addr().String())
	all, err := net.InterfaceAddrs()
	if err != nil {
		t.Fatal(err)
	}
	others := []string{"127.0.0.2"}
	for _, a := range all {
		if ip, _, err := net.ParseCIDR(a.String()); err == nil && !ip.IsLoopback() && !ip.IsLinkLocalUnicast() {
			others = append(others, ip.String())
		}
	}
	for _, host := range others {
		for _, port := range []string{outer, inner} {
			if c, err := net.DialTimeout("tcp", net.JoinHostPort(host, port), 2*time.Second); err == nil { // a host that swallows the call is as good
				_ = c.Close()
				t.Errorf("somebody answers at %s port %s", host, port)
			}
		}
	}
	mustDial(t, s)
}

func TestOperationLimits(t *testing.T) {
	c := open
	c.MostPerRead, c.MostPerWrite = 5, 1
	s, _ := serveTest(t, c)
	client := mustDial(t, s)
	for n, want := range map[uint32]uint32{11705: 5, 11707: 1} {
		if v := read(t, client, &ua.ReadValueID{NodeID: ua.NewNumericNodeID(0, n), AttributeID: ua.AttributeIDValue}); v.Value.Value() != want {
			t.Errorf("i=%d is %v, want %d", n, v.Value.Value(), want)
		}
	}
	many := make([]*ua.ReadValueID, 6)
	for i := range many {
		many[i] = &ua.ReadValueID{NodeID: id(t, client, "Request"), AttributeID: ua.AttributeIDValue}
	}
	if _, err := client.Read(t.Context(), &ua.ReadRequest{NodesToRead: many}); !errors.Is(err, ua.StatusBadTooManyOperations) {
		t.Errorf("six nodes in one read: %v", err)
	}
}

func faultsOfImageAndWire(t *testing.T, s *Server, image *controller.Image) {
	prog := controller.Start(controller.DefaultConfig(), controller.Fresh(), 1)
	for tick := uint32(10); tick < 50; tick += 10 {
		area := image.Copy()
		prog.Scan(tick, &area, &controller.Inputs{Permissives: 0x3F})
		image.Publish(prog)
	}
	c := mustDial(t, s)
	request := &ua.ReadValueID{NodeID: id(t, c, "Request"), AttributeID: ua.AttributeIDValue}
	image.Tear(1)
	torn, _ := read(t, c, request).Value.Value().([]uint16)
	whole, _ := read(t, c, request).Value.Value().([]uint16)
	if len(torn) != 96 || torn[2] == torn[93] || len(whole) != 96 || whole[2] != whole[93] {
		t.Errorf("generations %d, %d torn and %d, %d whole", torn[2], torn[93], whole[2], whole[93])
	}
	image.Discard(registers.Ack, 1)
	before := image.Copy().Ack
	if st := write(t, c, &ua.WriteValue{NodeID: id(t, c, "Ack"), Value: value([]uint16{1, 2, 3, 4, 5, 6, 7, 8, 9, 10})}); st != ua.StatusOK || image.Copy().Ack != before {
		t.Errorf("a write to be lost: %v, ACK %v", st, image.Copy().Ack)
	}
	s.Wire().Cut(time.Hour)
	if _, err := c.Read(t.Context(), &ua.ReadRequest{NodesToRead: []*ua.ReadValueID{request}}); err == nil {
		t.Error("read through a cut wire")
	}
	s.Wire().Cut(0)
	again := mustDial(t, s)
	read(t, again, request)
}

// Entries of the ring that nobody wrote are good zeros, or no data in one of two ways.
func TestEntriesNeverWritten(t *testing.T) {
	for how, want := range map[controller.Emptiness]ua.StatusCode{
		controller.Zeros: ua.StatusOK, controller.Bad: ua.StatusBadNoData, controller.Waiting: ua.StatusBadWaitingForInitialData,
	} {
		s, image := serveTest(t, open)
		image.Distort(controller.Quirks{NeverWritten: how})
		c := mustDial(t, s)
		if got := read(t, c, &ua.ReadValueID{NodeID: id(t, c, "Outcome.07"), AttributeID: ua.AttributeIDValue}).Status; got != want {
			t.Errorf("emptiness %d: %v, want %v", how, got, want)
		}
		if got := read(t, c, &ua.ReadValueID{NodeID: id(t, c, "Request"), AttributeID: ua.AttributeIDValue}).Status; got != ua.StatusOK {
			t.Errorf("emptiness %d: REQ is %v", how, got)
		}
	}
}

func TestConfigurationErrors(t *testing.T) {
	image := controller.NewImage(controller.DefaultBases())
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = taken.Close() }()
	junk := t.TempDir()
	if err := os.WriteFile(filepath.Join(junk, "x.pem"), []byte("no certificate"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, want string
		c          Config
	}{
		{"no line", "the line has no name", Config{Addr: "127.0.0.1:0", Anonymous: true}},
		{"nobody", "nobody could log in", Config{Addr: "127.0.0.1:0", Line: line}},
		{"taken", taken.Addr().String(), Config{Addr: taken.Addr().String(), Line: line, Anonymous: true}},
		{"no trust list", "trust list", Config{Addr: "127.0.0.1:0", Line: line, Anonymous: true, Trusted: filepath.Join(junk, "none")}},
		{"no certificate", filepath.Join(junk, "x.pem"), Config{Addr: "127.0.0.1:0", Line: line, UserCertificates: junk}},
		{"no pair", filepath.Join(junk, "none.pem"), Config{Addr: "127.0.0.1:0", Line: line, Anonymous: true, Certificate: filepath.Join(junk, "none.pem"), Key: filepath.Join(junk, "none.key")}},
	} {
		s, err := Listen(t.Context(), c.c, image)
		if err == nil || s != nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q in it", c.name, err, c.want)
		}
	}
}

func TestCloseEndsEverything(t *testing.T) {
	s, _ := serveTest(t, open)
	conn, err := net.Dial("tcp", s.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	scratch := s.scratch
	mustDial(t, s)
	for range 2 {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}
	if _, err := conn.Read(make([]byte, 1)); !errors.Is(err, io.EOF) && !strings.Contains(err.Error(), "reset") {
		t.Errorf("a connection outlived the server: %v", err)
	}
	if _, err := os.Stat(scratch); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the folder of the key is still there: %v", err)
	}
	// Goroutines that were told to end may need a moment to do so; what goes on is told
	// when the time of the test is over.
	for running() != "" {
		<-time.After(time.Millisecond)
	}
}

// running is the stack of a goroutine of a server, empty when there is none.
func running() string {
	all := make([]byte, 1<<20)
	for stack := range strings.SplitSeq(string(all[:runtime.Stack(all, true)]), "\n\n") {
		if strings.Contains(stack, "awcullen/opcua") || strings.Contains(stack, "lapgate/sim/wire") {
			return stack
		}
	}
	return ""
}
