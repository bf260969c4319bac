package channel

import (
	"context"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gopcua/opcua/ua"

	"lapgate/gateway/link/opcua/hostile"
)

// pair is a key and its certificate.
type pair struct {
	key  *rsa.PrivateKey
	cert []byte
}

func makePair(bits int) (pair, error) {
	key, err := rsa.GenerateKey(rand.Reader, bits)
	if err != nil {
		return pair{}, err
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(7), NotAfter: time.Now().Add(time.Hour)}
	cert, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	return pair{key, cert}, err
}

// pairs are made once: a key whose padding is counted in one byte, and one
// whose takes two.
var pairs = sync.OnceValues(func() (list [2]pair, err error) {
	for i, bits := range []int{2048, 3072} {
		if list[i], err = makePair(bits); err != nil {
			return list, err
		}
	}
	return list, nil
})

const none = ua.SecurityPolicyURINone

func policies() []string {
	return []string{none, ua.SecurityPolicyURIBasic256Sha256, ua.SecurityPolicyURIAes128Sha256RsaOaep, ua.SecurityPolicyURIAes256Sha256RsaPss}
}

// serve starts a server and returns what opens a channel to it.
func serve(t testing.TB, policy string, mode ua.MessageSecurityMode, ours, its pair, change func(*hostile.Server)) Config {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &hostile.Server{Policy: policy, Mode: mode, Key: its.key, Certificate: its.cert, Lifetime: 3600e3,
		Value: func(*ua.NodeID, ua.AttributeID) any { return make([]uint16, 96) }}
	conf := Config{Address: ln.Addr().String(), Endpoint: "opc.tcp://" + ln.Addr().String(), Policy: policy, Mode: mode,
		Lifetime: time.Hour, Timeout: 10 * time.Second}
	if policy != none {
		conf.Key, conf.Certificate, conf.Server = ours.key, ours.cert, its.cert
	}
	if change != nil {
		change(s)
	}
	done := make(chan struct{})
	go func() {
		s.Serve(ln)
		close(done)
	}()
	t.Cleanup(func() {
		_ = ln.Close()
		<-done
	})
	return conf
}

func dial(t testing.TB, conf Config) *Channel {
	t.Helper()
	c, err := Dial(t.Context(), conf)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	answer, err := c.Call(t.Context(), &ua.CreateSessionRequest{ClientDescription: &ua.ApplicationDescription{ApplicationName: &ua.LocalizedText{}}, ClientNonce: make([]byte, 32)})
	if err != nil {
		t.Fatal(err)
	}
	c.SetSession(answer.(*ua.CreateSessionResponse).AuthenticationToken)
	return c
}

// read asks for n nodes and wants n values.
func read(ctx context.Context, c *Channel, n int) error {
	request := &ua.ReadRequest{}
	for i := range n {
		node := ua.NewStringNodeID(1, fmt.Sprintf("north.%s.%03d", strings.Repeat("Outcome", 4), i))
		request.NodesToRead = append(request.NodesToRead, &ua.ReadValueID{NodeID: node, AttributeID: ua.AttributeIDValue, DataEncoding: &ua.QualifiedName{}})
	}
	answer, err := c.Call(ctx, request)
	if err != nil {
		return err
	}
	results := answer.(*ua.ReadResponse).Results
	for i, v := range results {
		if words, ok := v.Value.Value().([]uint16); !ok || len(words) != 96 {
			return fmt.Errorf("value %d is a %T", i, v.Value.Value())
		}
	}
	if len(results) != n {
		return fmt.Errorf("%d values, want %d", len(results), n)
	}
	return nil
}

// TestEveryPolicy opens channels in every policy and mode with short and long
// keys on both sides, sends and receives messages of one chunk and of many,
// and renews the keys before each.
func TestEveryPolicy(t *testing.T) {
	keys, err := pairs()
	if err != nil {
		t.Fatal(err)
	}
	for _, policy := range policies() {
		modes := []ua.MessageSecurityMode{ua.MessageSecurityModeSign, ua.MessageSecurityModeSignAndEncrypt}
		if policy == none {
			modes = []ua.MessageSecurityMode{ua.MessageSecurityModeNone}
		}
		for _, mode := range modes {
			for _, ours := range keys {
				for _, its := range keys {
					name := fmt.Sprintf("%s/%s/%d-%d", strings.TrimPrefix(policy, ua.SecurityPolicyURIPrefix), mode, ours.key.Size()*8, its.key.Size()*8)
					t.Run(name, func(t *testing.T) {
						conf := serve(t, policy, mode, ours, its, func(s *hostile.Server) {
							s.Greeting = [5]uint32{0, leastBuffer, leastBuffer, 0, 0}
						})
						c := dial(t, conf)
						for _, n := range []int{1, 2, 3, 5, 8, 500} { // requests of 1 to 5 chunks, answers of 1 to 13
							if err := read(t.Context(), c, n); err != nil {
								t.Fatalf("%d values: %v", n, err)
							}
							c.renewAt = time.Now()
						}
					})
				}
			}
		}
	}
}

// TestEveryLength sends requests of every length over two cipher blocks, so
// that every length of padding occurs.
func TestEveryLength(t *testing.T) {
	keys, err := pairs()
	if err != nil {
		t.Fatal(err)
	}
	c := dial(t, serve(t, ua.SecurityPolicyURIBasic256Sha256, ua.MessageSecurityModeSignAndEncrypt, keys[0], keys[1], nil))
	for n := range 33 {
		_, err := c.Call(t.Context(), &ua.WriteRequest{NodesToWrite: []*ua.WriteValue{{NodeID: ua.NewNumericNodeID(1, 7),
			Value: &ua.DataValue{EncodingMask: ua.DataValueValue, Value: ua.MustVariant(strings.Repeat("x", n))}}}})
		if err != nil {
			t.Fatalf("%d characters: %v", n, err)
		}
	}
}

// TestTooLong sends what the server said that it does not take: nothing is
// sent, and the channel goes on.
func TestTooLong(t *testing.T) {
	for name, greeting := range map[string][5]uint32{
		"bytes": {0, leastBuffer, leastBuffer, 10000, 0}, "chunks": {0, leastBuffer, leastBuffer, 0, 2},
	} {
		t.Run(name, func(t *testing.T) {
			var asked atomic.Int32
			c := dial(t, serve(t, none, ua.MessageSecurityModeNone, pair{}, pair{}, func(s *hostile.Server) {
				s.Greeting = greeting
				s.Spoil = func(step hostile.Step, _ *hostile.Conn, _ []byte) [][]byte {
					if step == hostile.Reading {
						asked.Add(1)
					}
					return nil
				}
			}))
			var fault *Fault
			if err := read(t.Context(), c, 500); !errors.As(err, &fault) || fault.Status != ua.StatusBadRequestTooLarge {
				t.Errorf("got %v, want a request too large", err)
			}
			if err := read(t.Context(), c, 50); err != nil || asked.Load() != 1 {
				t.Errorf("afterwards: %v, %d requests seen", err, asked.Load())
			}
		})
	}
}

// TestRenewalRefused has the server refuse new keys in several ways: the request
// that waited for them is not sent.
func TestRenewalRefused(t *testing.T) {
	keys, err := pairs()
	if err != nil {
		t.Fatal(err)
	}
	for name, refuse := range map[string]func(c *hostile.Conn, body []byte) [][]byte{
		"fault": func(c *hostile.Conn, _ []byte) [][]byte {
			return c.Proper(hostile.Opening, hostile.Encode(&ua.ServiceFault{ResponseHeader: hostile.Header(ua.StatusBadSecureChannelClosed)}))
		},
		"error": func(*hostile.Conn, []byte) [][]byte {
			return [][]byte{hostile.Frame("ERR", 'F', []byte{0, 0, 0x13, 0x80, 0xff, 0xff, 0xff, 0xff})}
		},
		"hang-up": func(*hostile.Conn, []byte) [][]byte { return [][]byte{nil} },
		"another channel": func(c *hostile.Conn, body []byte) [][]byte {
			k := c.Next("OPN", 'F', body)
			k.Channel++
			return [][]byte{c.Seal(k)}
		},
		"our nonce": func(c *hostile.Conn, body []byte) [][]byte {
			n := len(body) - len(c.Nonce) // it ends the body
			return c.Proper(hostile.Opening, append(body[:n:n], c.Nonce...))
		},
	} {
		t.Run(name, func(t *testing.T) {
			var armed atomic.Bool
			var reads atomic.Int32
			conf := serve(t, ua.SecurityPolicyURIBasic256Sha256, ua.MessageSecurityModeSign, keys[0], keys[1], func(s *hostile.Server) {
				s.Spoil = func(step hostile.Step, c *hostile.Conn, body []byte) [][]byte {
					if step == hostile.Reading {
						reads.Add(1)
					}
					if step != hostile.Opening || !armed.Load() {
						return nil
					}
					return refuse(c, body)
				}
			})
			c := dial(t, conf)
			armed.Store(true)
			c.renewAt = time.Now()
			if err := read(t.Context(), c, 1); !errors.Is(err, ErrUnsent) || !strings.Contains(err.Error(), "renewing the keys") {
				t.Errorf("got %v, want nothing sent", err)
			}
			if err := read(t.Context(), c, 1); !errors.Is(err, ErrUnsent) || reads.Load() != 0 {
				t.Errorf("afterwards: %v, %d requests seen", err, reads.Load())
			}
		})
	}
}

// TestOldKeys has the server go on with keys that were renewed.
func TestOldKeys(t *testing.T) {
	keys, err := pairs()
	if err != nil {
		t.Fatal(err)
	}
	var opened atomic.Int32
	c := dial(t, serve(t, ua.SecurityPolicyURIBasic256Sha256, ua.MessageSecurityModeSignAndEncrypt, keys[0], keys[0], func(s *hostile.Server) {
		s.Spoil = func(step hostile.Step, c *hostile.Conn, body []byte) [][]byte {
			if step == hostile.Opening {
				opened.Add(1)
			}
			if step != hostile.Reading || opened.Load() < 2 {
				return nil
			}
			k := c.Next("MSG", 'F', body)
			k.Token--
			return [][]byte{c.Seal(k)}
		}
	}))
	if err := read(t.Context(), c, 1); err != nil {
		t.Fatal(err)
	}
	c.renewAt = time.Now()
	if err := read(t.Context(), c, 1); err == nil || !strings.Contains(err.Error(), "with keys") {
		t.Errorf("got %v, want the old keys refused", err)
	}
}

// TestSequenceBeginsAgain counts chunks beyond the last number on both sides.
func TestSequenceBeginsAgain(t *testing.T) {
	for _, first := range []uint32{0, 1, firstSequences - 1} {
		var jump atomic.Bool
		c := dial(t, serve(t, none, ua.MessageSecurityModeNone, pair{}, pair{}, func(s *hostile.Server) {
			s.Spoil = func(_ hostile.Step, c *hostile.Conn, _ []byte) [][]byte {
				if jump.Load() {
					c.Sequence = first - 1
				}
				return nil
			}
		}))
		jump.Store(true)
		c.received = lastSequence
		if err := read(t.Context(), c, 1); err != nil {
			t.Errorf("after the last number comes %d: %v", first, err)
		}
	}
	for from, want := range map[uint32]uint32{0: 1, 1: 2, lastSequence - 1: lastSequence, lastSequence: 1} {
		if got := following(from); got != want {
			t.Errorf("after %d: %d, want %d", from, got, want)
		}
	}
	c := &Channel{received: 500, heard: true}
	for n, want := range map[uint32]bool{501: true, 500: false, 502: false, 1: false, 0: false} {
		if c.follows(n) != want {
			t.Errorf("%d after 500: %t", n, !want)
		}
	}
	c.received = lastSequence
	for n, want := range map[uint32]bool{lastSequence + 1: true, firstSequences: false, lastSequence: false} {
		if c.follows(n) != want {
			t.Errorf("%d after the last: %t", n, !want)
		}
	}
}

func TestLifetime(t *testing.T) {
	c := &Channel{conf: Config{Lifetime: time.Hour}}
	for revised, want := range map[uint32]time.Duration{0: time.Hour, 1: time.Millisecond, 3600e3: time.Hour, 1<<32 - 1: time.Hour} {
		if got := c.lifetime(revised); got != want {
			t.Errorf("%d ms: %v, want %v", revised, got, want)
		}
	}
}

// TestSever ends a call from another goroutine, and the context does.
func TestSever(t *testing.T) {
	asked := make(chan struct{}, 1)
	mute := func(s *hostile.Server) {
		s.Spoil = func(step hostile.Step, _ *hostile.Conn, _ []byte) [][]byte {
			if step != hostile.Reading {
				return nil
			}
			asked <- struct{}{}
			return [][]byte{}
		}
	}
	c := dial(t, serve(t, none, ua.MessageSecurityModeNone, pair{}, pair{}, mute))
	go func() {
		<-asked
		c.Sever()
	}()
	if err := read(t.Context(), c, 1); !errors.Is(err, net.ErrClosed) {
		t.Errorf("severed: got %v", err)
	}
	c = dial(t, serve(t, none, ua.MessageSecurityModeNone, pair{}, pair{}, mute))
	ctx, cancel := context.WithCancel(t.Context())
	go func() {
		<-asked
		cancel()
	}()
	if err := read(ctx, c, 1); !errors.Is(err, context.Canceled) || errors.Is(err, ErrUnsent) {
		t.Errorf("cancelled: got %v", err)
	}
	if err := read(ctx, c, 1); !errors.Is(err, ErrUnsent) {
		t.Errorf("cancelled before: got %v", err)
	}
}

// TestPadding takes off what seal puts on, and nothing else.
func TestPadding(t *testing.T) {
	long := append(make([]byte, 300), 44, 1) // 300 = 0x12c
	for i := range 300 {
		long[i] = 44
	}
	for _, tt := range []struct {
		name    string
		long    bool
		content []byte
		left    int // -1 for a refusal
	}{
		{"none at all", false, nil, -1}, {"of 0", false, []byte{7, 7, 0}, 2}, {"of 2", false, []byte{9, 2, 2, 2}, 1},
		{"not repeated", false, []byte{9, 1, 2, 2}, -1}, {"longer than all", false, []byte{5, 5, 5}, -1},
		{"long one of 0", true, []byte{7, 0, 0}, 1}, {"long one cut", true, []byte{0}, -1},
		{"long one of 300", true, long, 0}, {"long one of 300 behind 1", true, append([]byte{3}, long...), 1},
		{"long one of 300 cut", true, long[1:], -1}, {"long one not repeated", true, append([]byte{3}, long[1:]...), -1},
		{"long one beyond", true, []byte{1, 1, 1, 200}, -1},
	} {
		v := cover{longIn: tt.long}
		got, ok := v.strip(tt.content)
		if ok != (tt.left >= 0) || ok && len(got) != tt.left {
			t.Errorf("%s: %d left, %t", tt.name, len(got), ok)
		}
	}
}

func TestAddressTooLong(t *testing.T) {
	conf := serve(t, none, ua.MessageSecurityModeNone, pair{}, pair{}, nil)
	conf.Endpoint = strings.Repeat("x", mostEndpoint)
	if _, err := Dial(t.Context(), conf); err == nil || !strings.Contains(err.Error(), "4096") {
		t.Errorf("got %v", err)
	}
}

// TestComplaint passes on what a server says of an end, cut and quoted.
func TestComplaint(t *testing.T) {
	long := append(le.AppendUint32(le.AppendUint32(nil, uint32(ua.StatusBadCertificateInvalid)), 5000), strings.Repeat("\x1b", 5000)...)
	err := complaintOf("end", long)
	if !errors.Is(err, ua.StatusBadCertificateInvalid) || errors.Is(err, io.EOF) || strings.Contains(err.Error(), "\x1b") || len(err.Error()) > 5*mostReason {
		t.Errorf("got %v", err)
	}
	for _, b := range [][]byte{nil, {0, 0, 0}, {8, 0, 0, 0, 1, 0, 0, 0, 'x'}} { // a status that is not bad is none
		if err := complaintOf("end", b); !errors.Is(err, io.EOF) {
			t.Errorf("%x: got %v", b, err)
		}
	}
}
