// Package opcua serves a controller's register image over OPC UA: each block
// of the handshake as an array of UInt16, and beside them typed variables for
// people, from which nothing is decided.
//
// The server listens where it is told and nowhere else, on loopback unless
// told otherwise. The library itself would listen on every interface of the
// machine; its loop of connections is therefore given a listener of ours.
package opcua

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"sync"
	"time"

	"github.com/awcullen/opcua/server"
	"github.com/awcullen/opcua/ua"

	"lapgate/sim/controller"
	"lapgate/sim/nodeset"
	"lapgate/sim/registers"
	"lapgate/sim/wire"
)

// ApplicationURI names the simulator among OPC UA applications.
const ApplicationURI = "urn:lapgate:sim"

// Config is one OPC UA server.
type Config struct {
	Addr string // host:port that clients dial; empty serves none
	Line string // name of the line, which begins the identifiers of its nodes

	// Plain also offers the security policy None.
	Plain bool
	// Anonymous admits clients that name no user. They may write only where
	// no user is known.
	Anonymous bool
	// Users are the passwords by user name. They may read and write.
	Users map[string]string
	// UserCertificates is a folder of the certificates of users, PEM or DER.
	UserCertificates string

	// Trusted is a folder of the certificates of clients to trust, PEM or DER;
	// empty trusts every client. Rejected is a folder for the certificates of
	// the clients that were refused, empty for none.
	Trusted, Rejected string
	// Certificate and Key are PEM files, the key RSA; empty takes the pair of State.
	Certificate, Key string
	// State is the folder in which a pair is kept, and Renew makes it anew, which else
	// happens only when its certificate has ended. Without a folder a pair lives as long
	// as the server.
	State string
	Renew bool

	// Before are namespaces that the server has before that of the line, whose
	// index is as much higher.
	Before []string

	// MostPerRead and MostPerWrite limit the nodes in one call, 0 for 1000.
	MostPerRead, MostPerWrite uint32
}

// Server is an OPC UA server before a register image. Its clients come in
// over a wire that can be made to fail.
type Server struct {
	srv     *server.Server
	image   *controller.Image
	wire    *wire.Wire
	inner   net.Listener
	scratch string
	serving sync.WaitGroup

	closing sync.Once
	closed  error
}

// Listen serves the image.
func Listen(ctx context.Context, c Config, image *controller.Image) (s *Server, err error) {
	if c.Line == "" {
		return nil, errors.New("simulator: opc ua server: the line has no name; the identifiers of its nodes begin with it")
	}
	s = &Server{image: image}
	defer func() {
		if err != nil {
			err = errors.Join(err, s.Close())
			s = nil
		}
	}()
	var lc net.ListenConfig
	if s.inner, err = lc.Listen(ctx, "tcp", "127.0.0.1:0"); err != nil {
		return s, fmt.Errorf("simulator finds no free port: %w", err)
	}
	if s.wire, err = wire.Listen(ctx, c.Addr, s.inner.Addr().String()); err != nil {
		return s, err
	}
	switch {
	case c.Certificate != "":
		err = checkPair(c.Certificate, c.Key)
	case c.State != "":
		c.Certificate, c.Key, err = keptPair(c.State, s.wire.Addr(), c.Renew, time.Now())
	default:
		if s.scratch, err = os.MkdirTemp("", "lapgate-sim-opcua-"); err != nil {
			return s, err
		}
		c.Certificate, c.Key, err = makePair(s.scratch, s.wire.Addr(), time.Now(), lifetime)
	}
	if err != nil {
		return s, err
	}
	if s.srv, err = s.build(&c); err != nil {
		return s, err
	}
	s.serving.Go(func() {
		var connections sync.WaitGroup
		// It ends with an error in any case; after Close that is no news.
		_ = serve(s.srv, s.inner, &connections)
		connections.Wait()
	})
	return s, nil
}

func (s *Server) build(c *Config) (*server.Server, error) {
	options, err := options(c)
	if err != nil {
		return nil, err
	}
	srv, err := server.New(ua.ApplicationDescription{
		ApplicationURI:  ApplicationURI,
		ProductURI:      ApplicationURI,
		ApplicationName: ua.NewLocalizedText("lapgate simulated line", "en"),
		ApplicationType: ua.ApplicationTypeServer,
		DiscoveryURLs:   []string{s.URL()},
	}, c.Certificate, c.Key, s.URL(), options...)
	if err != nil {
		return nil, fmt.Errorf("simulator: opc ua server: %w", err)
	}
	if err := s.furnish(srv, c.Line, c.Before); err != nil {
		return nil, err
	}
	// The library fills this list at its first use, without a lock for it.
	srv.Endpoints()
	return srv, nil
}

// furnish loads the space and joins its variables to the image.
func (s *Server) furnish(srv *server.Server, line string, before []string) error {
	nm := srv.NamespaceManager()
	for _, uri := range before {
		nm.Add(uri)
	}
	if err := nm.LoadNodeSetFromBuffer(nodeset.XML(line)); err != nil {
		return fmt.Errorf("simulator: opc ua server: address space: %w", err)
	}
	ns := nm.Add(nodeset.URI)
	find := func(id string) (*server.VariableNode, error) {
		if n, ok := nm.FindVariable(ua.NewNodeIDString(ns, id)); ok {
			return n, nil
		}
		return nil, fmt.Errorf("simulator: opc ua server: the address space has no variable %s", id)
	}
	for _, b := range nodeset.Blocks() {
		n, err := find(b.NodeID(line))
		if err != nil {
			return err
		}
		s.join(n, &b)
	}
	displays := nodeset.Displays()
	for i := range displays {
		d := &displays[i]
		n, err := find(d.NodeID(line))
		if err != nil {
			return err
		}
		n.SetReadValueHandler(func(_ *server.Session, r ua.ReadValueID) ua.DataValue {
			if r.IndexRange != "" {
				return bad(ua.BadIndexRangeNoData)
			}
			return good(d.Value(s.view(d.View)))
		})
	}
	return s.tellState(nm)
}

// join joins the variable of a block to the image.
func (s *Server) join(n *server.VariableNode, b *nodeset.Block) {
	addr := address(s.image.Bases(), b)
	n.SetReadValueHandler(func(session *server.Session, r ua.ReadValueID) ua.DataValue {
		if outdated(session) {
			return bad(ua.BadSecurityPolicyRejected)
		}
		words, err := s.image.Read(addr, b.Words)
		if err != nil {
			return bad(ua.BadNotReadable)
		}
		if b.Name == registers.Outcome && words[0] == 0 {
			switch s.image.NeverWritten() {
			case controller.Bad:
				return bad(ua.BadNoData)
			case controller.Waiting:
				return bad(ua.BadWaitingForInitialData)
			}
		}
		return ranged(words, r.IndexRange)
	})
	if b.Writable {
		n.SetWriteValueHandler(func(session *server.Session, w ua.WriteValue) (ua.DataValue, ua.StatusCode) {
			if outdated(session) {
				return ua.DataValue{}, ua.BadSecurityPolicyRejected
			}
			return s.write(addr, b.Words, &w)
		})
	}
}

// tellState answers for the state of the server, which the library sets only
// where it listens itself.
func (s *Server) tellState(nm *server.NamespaceManager) error {
	status, found := nm.FindVariable(ua.VariableIDServerServerStatus)
	state, found2 := nm.FindVariable(ua.VariableIDServerServerStatusState)
	if !found || !found2 {
		return errors.New("simulator: opc ua server: the library's address space has no server status")
	}
	start := time.Now()
	status.SetReadValueHandler(func(*server.Session, ua.ReadValueID) ua.DataValue {
		return good(ua.ServerStatusDataType{StartTime: start, CurrentTime: time.Now(), State: ua.ServerStateRunning})
	})
	state.SetReadValueHandler(func(*server.Session, ua.ReadValueID) ua.DataValue {
		return good(int32(ua.ServerStateRunning))
	})
	return nil
}

// address is the first register of a block.
func address(b controller.Bases, v *nodeset.Block) uint16 {
	return b.Of(v.Name) + uint16(v.Entry*v.Words)
}

// write takes a whole block or refuses it. Type and rank were checked by the
// library, which lets an empty value pass.
func (s *Server) write(addr uint16, count int, w *ua.WriteValue) (ua.DataValue, ua.StatusCode) {
	v := &w.Value
	words, ok := v.Value.([]uint16)
	switch {
	case !ok:
		return ua.DataValue{}, ua.BadTypeMismatch
	case w.IndexRange != "":
		return ua.DataValue{}, ua.BadWriteNotSupported
	case v.StatusCode != ua.Good || !v.SourceTimestamp.IsZero() || !v.ServerTimestamp.IsZero():
		return ua.DataValue{}, ua.BadWriteNotSupported
	case len(words) != count:
		return ua.DataValue{}, ua.BadOutOfRange
	}
	if err := s.image.Write(addr, words); err != nil {
		return ua.DataValue{}, ua.BadNotWritable
	}
	return good(words), ua.Good
}

// view is the block that a display variable mirrors.
func (s *Server) view(v nodeset.View) []uint16 {
	switch v {
	case nodeset.OfRequest:
		w := s.image.Request()
		return w[:]
	case nodeset.OfRecipe:
		w := s.image.Accepted()
		return w[:]
	}
	var none controller.OutWords
	r := s.image.Request()
	n := registers.In(registers.Request, r[:]).Get("outcomes_produced")
	if n == 0 {
		return none[:]
	}
	w, err := s.image.Read(s.image.Bases().Out+uint16(int(n%registers.RingEntries)*len(none)), len(none))
	if err != nil {
		return none[:]
	}
	return w
}

// Addr is the address that clients dial.
func (s *Server) Addr() string { return s.wire.Addr() }

// URL is the endpoint that clients name.
func (s *Server) URL() string { return "opc.tcp://" + s.Addr() }

// Wire is the network before the server.
func (s *Server) Wire() *wire.Wire { return s.wire }

// Certificate is the server's certificate, DER.
func (s *Server) Certificate() []byte { return s.srv.LocalCertificate() }

// Close stops serving. It may be called more than once.
func (s *Server) Close() error {
	s.closing.Do(func() {
		var all []error
		if s.wire != nil {
			all = append(all, s.wire.Close())
		}
		if s.inner != nil {
			all = append(all, s.inner.Close())
		}
		if s.srv != nil {
			all = append(all, s.srv.Close())
			s.serving.Wait()
			s.srv.WorkerPool().StopWait()
		}
		if s.scratch != "" {
			all = append(all, os.RemoveAll(s.scratch))
		}
		s.closed = errors.Join(all...)
	})
	return s.closed
}
