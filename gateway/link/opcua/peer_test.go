package opcua

import (
	"net"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link/opcua/hostile"
)

// peer is a server that answers properly until its answers are spoiled.
type peer struct {
	server hostile.Server
	spoil  atomic.Pointer[spoiler]
	s      Settings
}

type spoiler func(step hostile.Step, c *hostile.Conn, body []byte) [][]byte

func newPeer(t testing.TB, sec security, change func(*hostile.Server)) *peer {
	t.Helper()
	v := vaultOf(t)
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &peer{s: settings(t, ln.Addr().String(), sec)}
	p.server = hostile.Server{
		URL: p.s.Endpoint, Application: serverURI, Policy: sec.policy.uri(), Mode: sec.mode.code(),
		Key: v.server, Certificate: v.serverCert, Value: peerValue, Lifetime: 3600e3,
		Spoil: func(step hostile.Step, c *hostile.Conn, body []byte) [][]byte {
			if f := p.spoil.Load(); f != nil {
				return (*f)(step, c, body)
			}
			return nil
		},
	}
	if change != nil {
		change(&p.server)
	}
	done := make(chan struct{})
	go func() {
		p.server.Serve(ln)
		close(done)
	}()
	t.Cleanup(func() {
		_ = ln.Close()
		<-done
	})
	return p
}

// spoiled answers one step otherwise from now on. Only the connection of the
// configured policy is meant, except for what no policy secures.
func (p *peer) spoiled(at hostile.Step, answer func(c *hostile.Conn, body []byte) [][]byte) {
	var f spoiler = func(step hostile.Step, c *hostile.Conn, body []byte) [][]byte {
		if step != at || step == hostile.Opening && c.Policy != p.server.Policy {
			return nil
		}
		return answer(c, body)
	}
	p.spoil.Store(&f)
}

func (p *peer) honest() { p.spoil.Store(nil) }

// peerValue is what the nodes of a controller hold.
func peerValue(node *ua.NodeID, a ua.AttributeID) any {
	if node.Namespace() == 0 {
		if node.IntID() == id.Server_NamespaceArray {
			return []string{"http://opcfoundation.org/UA/", NamespaceURI}
		}
		return nil
	}
	if a == ua.AttributeIDUserAccessLevel {
		return uint8(3)
	}
	for _, b := range handshake.IDs() {
		for entry := range handshake.OutEntries {
			if node.StringID() == NodeName(testLine, b, entry) {
				return make([]uint16, handshake.Words(b))
			}
		}
	}
	return nil
}

// settled waits until no goroutine works for a client or its connections any
// more; one that never ends is told when the time of the test is over. The servers of other tests, which are of another maker, do not count.
func settled(t *testing.T) {
	t.Helper()
	beat := time.NewTicker(time.Millisecond)
	defer beat.Stop()
	buf := make([]byte, 1<<20)
	for {
		all := strings.Split(string(buf[:runtime.Stack(buf, true)]), "\n\n")
		left := slices.DeleteFunc(all, func(stack string) bool {
			return !strings.Contains(stack, "link/opcua/channel.") && !strings.Contains(stack, "gopcua") && !strings.Contains(stack, "hostile.(*Conn)")
		})
		if len(left) == 0 {
			return
		}
		<-beat.C
	}
}
