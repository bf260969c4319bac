// Package hostile is an OPC UA server for tests that answers properly until it
// is told what else to send, byte by byte. It secures its messages with code of
// its own, so that a client cannot agree with it by a shared mistake.
package hostile

import (
	"bytes"
	"crypto/rsa"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/gopcua/opcua/ua"
)

// Step is what a server is asked for.
type Step string

// The steps, in the order in which a client takes them.
const (
	Greeting   Step = "greeting"
	Opening    Step = "opening"
	Endpoints  Step = "endpoints"
	Session    Step = "session"
	Activation Step = "activation"
	Reading    Step = "read"
	Writing    Step = "write"
	Leaving    Step = "close"
)

// Server answers clients. Its fields do not change while it serves.
type Server struct {
	URL         string // address, as the endpoints give it
	Application string // its URI
	Policy      string // URI of the policy that it offers
	Mode        ua.MessageSecurityMode
	Key         *rsa.PrivateKey
	Certificate []byte // DER

	// Value is what a node holds, nil for one that does not exist.
	Value func(node *ua.NodeID, a ua.AttributeID) any
	// Lifetime is given for keys, in milliseconds.
	Lifetime uint32
	// Greeting is the answer to a greeting: version, buffer to receive and to
	// send, longest message, most chunks. The zero value takes what is offered.
	Greeting [5]uint32

	// Spoil returns the frames to send in place of the proper answer, whose
	// body it is given; nil for the proper one.
	Spoil func(step Step, c *Conn, body []byte) [][]byte
}

// Conn is one connection of a client.
type Conn struct {
	server *Server
	net    net.Conn
	Policy string // of the channel, empty before it is opened

	Channel, Token, Sequence, Request uint32
	Chunk                             int // bytes of a chunk at most
	keys                              keys
	asymmetric                        keys
	Nonce                             []byte // of the client's last request for keys
	client                            []byte // its certificate
	seen                              uint32 // sequence number of the client
	heard                             bool
}

var le = binary.LittleEndian

// Serve answers clients until the listener is closed, then ends their
// connections.
func (s *Server) Serve(ln net.Listener) {
	var wg sync.WaitGroup
	var mu sync.Mutex
	var open []net.Conn
	for {
		conn, err := ln.Accept()
		if err != nil {
			break
		}
		mu.Lock()
		open = append(open, conn)
		mu.Unlock()
		wg.Go(func() {
			defer func() { _ = conn.Close() }()
			_ = (&Conn{server: s, net: conn, Chunk: 8192}).serve() // a client that goes is no failure
		})
	}
	for _, c := range open {
		_ = c.Close()
	}
	wg.Wait()
}

func (c *Conn) serve() error {
	var body []byte
	for {
		kind, part, content, err := c.receive()
		if err != nil {
			return err
		}
		if kind == "HEL" {
			if err := c.answer(Greeting, c.greeting(content)); err != nil {
				return err
			}
			continue
		}
		if body = append(body, content...); part != 'F' {
			continue
		}
		if kind == "CLO" {
			return nil
		}
		_, request, err := ua.DecodeService(body)
		if err != nil {
			return err
		}
		body = nil
		if err := c.handle(request); err != nil {
			return err
		}
	}
}

// greeting is the proper answer to a greeting: what was offered.
func (c *Conn) greeting(hello []byte) []byte {
	if len(hello) < 20 {
		return nil
	}
	words := c.server.Greeting
	if words == [5]uint32{} {
		words = [5]uint32{0, le.Uint32(hello[8:]), le.Uint32(hello[4:]), 0, 0}
	}
	c.Chunk = int(min(words[2], le.Uint32(hello[4:])))
	var out []byte
	for _, n := range words {
		out = le.AppendUint32(out, n)
	}
	return out
}

// Frame is bytes behind the plain header of a frame.
func Frame(kind string, part byte, body []byte) []byte {
	out := append([]byte(kind), part)
	return append(le.AppendUint32(out, uint32(8+len(body))), body...)
}

// answer sends the proper frames for a step, or what is to be sent instead.
func (c *Conn) answer(step Step, body []byte) error {
	var frames [][]byte
	if c.server.Spoil != nil {
		frames = c.server.Spoil(step, c, body)
	}
	if frames == nil {
		frames = c.Proper(step, body)
	}
	for _, f := range frames {
		if len(f) == 0 {
			return io.EOF // hang up
		}
		if _, err := c.net.Write(f); err != nil {
			return err
		}
	}
	return nil
}

// Proper are the frames of a body as the specification wants them.
func (c *Conn) Proper(step Step, body []byte) [][]byte {
	switch step {
	case Greeting:
		return [][]byte{Frame("ACK", 'F', body)}
	case Opening:
		return [][]byte{c.Seal(c.Next("OPN", 'F', body))}
	}
	var out [][]byte
	room := c.Chunk - 200 // less than fits
	for len(body) > room {
		out = append(out, c.Seal(c.Next("MSG", 'C', body[:room])))
		body = body[room:]
	}
	return append(out, c.Seal(c.Next("MSG", 'F', body)))
}

// Encode is the body of an answer.
func Encode(answer ua.Response) []byte {
	kind := ua.ServiceTypeID(answer)
	body, err := ua.Encode(answer)
	if err != nil {
		panic(err) // an answer of a test
	}
	return append([]byte{1, 0, byte(kind), byte(kind >> 8)}, body...)
}

// Header begins an answer.
func Header(status ua.StatusCode) *ua.ResponseHeader {
	return &ua.ResponseHeader{Timestamp: time.Now(), ServiceResult: status, ServiceDiagnostics: &ua.DiagnosticInfo{}}
}

// sessionToken is the server's secret by which it knows a session.
var sessionToken = ua.NewByteStringNodeID(1, bytes.Repeat([]byte{0xa5}, 32))

// knows tells whether a request needs no session, or names the one there is.
func knows(request any) bool {
	switch r := request.(type) {
	case *ua.OpenSecureChannelRequest, *ua.GetEndpointsRequest, *ua.CreateSessionRequest:
		return true
	case ua.Request:
		return r.Header().AuthenticationToken.Equal(sessionToken)
	}
	return false
}

func (c *Conn) handle(request any) error {
	s := c.server
	if !knows(request) {
		return c.answer(Leaving, Encode(&ua.ServiceFault{ResponseHeader: Header(ua.StatusBadSessionIDInvalid)}))
	}
	switch r := request.(type) {
	case *ua.OpenSecureChannelRequest:
		return c.open(r)
	case *ua.GetEndpointsRequest:
		return c.answer(Endpoints, Encode(&ua.GetEndpointsResponse{ResponseHeader: Header(0), Endpoints: s.endpoints()}))
	case *ua.CreateSessionRequest:
		answer := &ua.CreateSessionResponse{ResponseHeader: Header(0), SessionID: ua.NewNumericNodeID(1, 7),
			AuthenticationToken: sessionToken, RevisedSessionTimeout: 1e4,
			ServerNonce: bytes.Repeat([]byte{9}, 32), ServerEndpoints: s.endpoints(), ServerSignature: &ua.SignatureData{}}
		if c.asymmetric.algorithm != nil {
			answer.ServerCertificate = s.Certificate
			signature, err := c.asymmetric.algorithm.Signature(slices.Concat(c.client, r.ClientNonce))
			if err != nil {
				return err
			}
			answer.ServerSignature = &ua.SignatureData{Algorithm: c.asymmetric.algorithm.SignatureURI(), Signature: signature}
		}
		return c.answer(Session, Encode(answer))
	case *ua.ActivateSessionRequest:
		return c.answer(Activation, Encode(&ua.ActivateSessionResponse{ResponseHeader: Header(0), ServerNonce: bytes.Repeat([]byte{8}, 32)}))
	case *ua.ReadRequest:
		answer := &ua.ReadResponse{ResponseHeader: Header(0)}
		for _, n := range r.NodesToRead {
			answer.Results = append(answer.Results, s.value(n))
		}
		return c.answer(Reading, Encode(answer))
	case *ua.WriteRequest:
		return c.answer(Writing, Encode(&ua.WriteResponse{ResponseHeader: Header(0), Results: make([]ua.StatusCode, len(r.NodesToWrite))}))
	case *ua.CloseSessionRequest:
		return c.answer(Leaving, Encode(&ua.CloseSessionResponse{ResponseHeader: Header(0)}))
	}
	return errors.New("unknown request")
}

func (s *Server) value(n *ua.ReadValueID) *ua.DataValue {
	v := s.Value(n.NodeID, n.AttributeID)
	if v == nil {
		return &ua.DataValue{EncodingMask: ua.DataValueStatusCode, Status: ua.StatusBadNodeIDUnknown}
	}
	return &ua.DataValue{EncodingMask: ua.DataValueValue, Value: ua.MustVariant(v)}
}

func (s *Server) endpoints() []*ua.EndpointDescription {
	return []*ua.EndpointDescription{{
		EndpointURL: s.URL,
		Server: &ua.ApplicationDescription{ApplicationURI: s.Application, ApplicationType: ua.ApplicationTypeServer,
			ApplicationName: ua.NewLocalizedText("controller")},
		ServerCertificate: s.Certificate, SecurityMode: s.Mode, SecurityPolicyURI: s.Policy,
		UserIdentityTokens: []*ua.UserTokenPolicy{{PolicyID: "anonymous", TokenType: ua.UserTokenTypeAnonymous}},
	}}
}

func (c *Conn) open(r *ua.OpenSecureChannelRequest) error {
	if c.Channel == 0 {
		c.Channel, c.Token = 77, 300
	}
	c.Nonce = r.ClientNonce
	next := c.Token + 1
	answer := &ua.OpenSecureChannelResponse{ResponseHeader: Header(0),
		SecurityToken: &ua.ChannelSecurityToken{ChannelID: c.Channel, TokenID: next, CreatedAt: time.Now(), RevisedLifetime: c.server.Lifetime}}
	if !strings.HasSuffix(c.Policy, "#None") {
		answer.ServerNonce = bytes.Repeat([]byte{byte(next)}, 32)
	}
	if err := c.answer(Opening, Encode(answer)); err != nil {
		return err
	}
	c.Token = next
	return c.keys.symmetric(c.Policy, r.SecurityMode, answer.ServerNonce, r.ClientNonce)
}
