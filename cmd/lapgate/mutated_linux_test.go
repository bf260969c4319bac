package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	enc "encoding/binary"
	"encoding/hex"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"lapgate/configs"
	"lapgate/gateway/link/opcua"
	"lapgate/sim/controller"
	simopcua "lapgate/sim/opcua"
)

var mutations = flag.Int("mutations", 300, "answers of OPC UA servers that are changed under the real daemon")

// mutatedLines are the lines whose servers' answers are changed: the first two
// are encrypted, so that what is changed there is what anybody between can
// change; the others have no policy.
const (
	mutatedLines   = 10
	encryptedLines = 2
)

// TestMutatedAnswers has a proxy change what the OPC UA servers of ten lines
// answer to the real daemon, which is started once. It must live, in little
// memory, and its neighbour line must keep its connection and its polls.
func TestMutatedAnswers(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	dir, exe := t.TempDir(), binary(t)
	m := &mutator{left: *mutations, done: make(chan struct{})}
	args := []string{"run", "--config", filepath.Join(dir, "lines.yaml"), "--set", "status.listen=none",
		"--set", "log.level=error", "--set", "journal.directory=" + filepath.Join(dir, "journal")}
	var relays []*relay
	for n := range mutatedLines + 1 {
		change := m.answer
		if n == mutatedLines {
			change = nil // the neighbour
		}
		r := serveLine(ctx, t, n, change)
		relays = append(relays, r)
		args = append(args, r.settings(t, n, filepath.Join(dir, "pki"))...)
	}
	if err := os.WriteFile(filepath.Join(dir, "lines.yaml"), manyLines(t, mutatedLines+1), 0o600); err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	daemon := exec.CommandContext(ctx, exe, args...)
	daemon.Env, daemon.Stderr = cleanEnv(), &log
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- daemon.Wait() }()
	neighbour := relays[mutatedLines]
	begun := time.Now()
	select {
	case <-m.done:
	case err := <-ended:
		t.Fatalf("the daemon ended after %d of %d changed answers: %v\n%s", m.count(), *mutations, err, tail(log.Bytes()))
	}
	took := time.Since(begun)
	polls, longest := neighbour.polls()
	connections := 0
	for _, r := range relays[:mutatedLines] {
		connections += int(r.connections.Load())
	}
	megabytes := mostMemory(t, daemon.Process.Pid)
	if err := daemon.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := <-ended; err != nil {
		t.Errorf("the daemon ended with %v\n%s", err, tail(log.Bytes()))
	}
	if n := neighbour.connections.Load(); n != 2 { // for the endpoints, and the session
		t.Errorf("the neighbour connected %d times, want 2", n)
	}
	if polls < 5 {
		t.Errorf("the neighbour polled %d times in %v", polls, took)
	}
	if connections < mutatedLines*4 {
		t.Errorf("%d connections to the changed servers: nothing was hit", connections)
	}
	if megabytes > 256 {
		t.Errorf("the daemon took %d MB", megabytes)
	}
	t.Logf("%d changed answers on %d connections in %v, 1 start of the daemon, %d MB at most; the neighbour sent %d requests, longest gap %v",
		m.count(), connections, took.Round(time.Millisecond), megabytes, polls, longest.Round(time.Millisecond))
}

// manyLines is the demo's configuration with its line n times.
func manyLines(t *testing.T, n int) []byte {
	t.Helper()
	head, line, ok := strings.Cut(string(configs.Demo()), "\nlines:\n")
	if !ok || strings.Count(line, "name: north") != 1 {
		t.Fatal("the demo's configuration has not one line")
	}
	out := head + "\nlines:\n"
	for i := range n {
		out += strings.Replace(line, "name: north", "name: "+mutatedLine(i), 1)
	}
	return []byte(out)
}

func mutatedLine(n int) string { return fmt.Sprintf("line-%d", n) }

// serveLine starts an OPC UA server of a controller at rest and the relay
// before it.
func serveLine(ctx context.Context, t *testing.T, n int, change func([]byte) [][]byte) *relay {
	t.Helper()
	srv, err := simopcua.Listen(ctx, simopcua.Config{Addr: "127.0.0.1:0", Line: mutatedLine(n), Plain: true, Anonymous: true},
		controller.NewImage(controller.DefaultBases()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = srv.Close() })
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r := &relay{ln: ln, certificate: srv.Certificate(), target: srv.Addr(), change: change}
	r.wg.Go(r.accept)
	t.Cleanup(func() {
		_ = ln.Close()
		r.wg.Wait()
	})
	return r
}

// settings lead line n to the relay. An encrypted line trusts the certificate
// of its server.
func (r *relay) settings(t *testing.T, n int, pki string) []string {
	t.Helper()
	at := fmt.Sprintf("lines.%d.controller.", n)
	set := []string{"protocol=opcua", "address=opc.tcp://" + r.ln.Addr().String(), "opcua.certificates=" + pki,
		"times.reconnect_min=10 ms", "times.reconnect_max=100 ms"}
	if n == mutatedLines { // a busy machine is no fault of its neighbours
		set = append(set, "times.request_timeout=5 s", "times.verdict=11 s", "program.commit_ttl=20 s")
	} else {
		set = append(set, "times.request_timeout=100 ms")
	}
	if n < encryptedLines {
		sum := sha256.Sum256(r.certificate)
		if _, err := (opcua.TrustList{Folder: pki}).Accept(r.certificate, hex.EncodeToString(sum[:])); err != nil {
			t.Fatal(err)
		}
		set = append(set, "plain=false")
	} else {
		set = append(set, "plain=true", "opcua.policy=None", "opcua.mode=None")
	}
	var out []string
	for _, s := range set {
		out = append(out, "--set", at+s)
	}
	return out
}

// relay stands between the daemon and one server.
type relay struct {
	ln          net.Listener
	target      string
	certificate []byte                      // of the server
	change      func(frame []byte) [][]byte // nil for none
	connections atomic.Int32
	wg          sync.WaitGroup

	mu       sync.Mutex
	requests int
	last     time.Time
	longest  time.Duration
}

func (r *relay) polls() (int, time.Duration) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.requests, max(r.longest, time.Since(r.last))
}

func (r *relay) asked() {
	r.mu.Lock()
	defer r.mu.Unlock()
	now := time.Now()
	if r.requests++; r.requests > 20 { // behind the login and the first look
		r.longest = max(r.longest, now.Sub(r.last))
	}
	r.last = now
}

func (r *relay) accept() {
	for {
		client, err := r.ln.Accept()
		if err != nil {
			return
		}
		server, err := net.Dial("tcp", r.target)
		if err != nil {
			_ = client.Close()
			continue
		}
		r.connections.Add(1)
		end := func() { _, _ = client.Close(), server.Close() }
		r.wg.Go(func() {
			defer end()
			for {
				f, err := readFrame(client)
				if err != nil {
					return
				}
				r.asked()
				if _, err := server.Write(f); err != nil {
					return
				}
			}
		})
		r.wg.Go(func() {
			defer end()
			for {
				f, err := readFrame(server)
				if err != nil {
					return
				}
				frames := [][]byte{f}
				if r.change != nil {
					frames = r.change(f)
				}
				for _, f := range frames {
					if len(f) == 0 {
						return
					}
					if _, err := client.Write(f); err != nil {
						return
					}
				}
			}
		})
	}
}

func readFrame(r io.Reader) ([]byte, error) {
	head := make([]byte, 8)
	if _, err := io.ReadFull(r, head); err != nil {
		return nil, err
	}
	size := enc.LittleEndian.Uint32(head[4:])
	if size < 8 || size > 1<<20 {
		return nil, fmt.Errorf("frame of %d bytes", size)
	}
	f := make([]byte, size)
	copy(f, head)
	_, err := io.ReadFull(r, f[8:])
	return f, err
}

// mutator changes answers until enough were changed.
type mutator struct {
	mu   sync.Mutex
	left int
	done chan struct{}
	made int
}

func (m *mutator) count() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.made
}

// answer is one frame as it is passed on: most are let through, so that every
// step of a connection is reached.
func (m *mutator) answer(f []byte) [][]byte {
	m.mu.Lock()
	defer m.mu.Unlock()
	if rand.IntN(8) > 0 || m.left == 0 {
		return [][]byte{f}
	}
	m.made++
	if m.left--; m.left == 0 {
		close(m.done)
	}
	return mutate(f)
}

// mutate changes a frame in one of many ways.
func mutate(f []byte) [][]byte {
	const body = 24 // of a message that is not encrypted
	f = slices.Clone(f)
	from := 0
	if len(f) > body+4 && rand.IntN(4) > 0 {
		from = body
	}
	at := from + rand.IntN(len(f)-from)
	whole := func() []byte { enc.LittleEndian.PutUint32(f[4:], uint32(len(f))); return f }
	switch rand.IntN(12) {
	case 0, 1, 2, 3: // a number
		odd := []uint32{0, 1, 2, 127, 0x7fffffff, 0x80000000, 0xffffffff, 0xfffffffe, 65535, 65536, uint32(len(f)), rand.Uint32()}
		var four [4]byte
		enc.LittleEndian.PutUint32(four[:], odd[rand.IntN(len(odd))])
		copy(f[at:], four[:])
	case 4:
		f[at] ^= 1 << rand.IntN(8)
	case 5:
		f[at] = byte(rand.Uint32())
	case 6: // cut, with the size that goes with it
		f = f[:max(8, at)]
		whole()
	case 7: // cut, and the connection closed
		return [][]byte{f[:at], nil}
	case 8: // the kind of the part
		f[3] = "FCAZ"[rand.IntN(4)]
	case 9:
		return [][]byte{f, f}
	case 10: // values within values
		at = max(8, at) // the size stands before it
		f = append(f[:at:at], bytes.Repeat([]byte{[]byte{0x40, 24, 0x98, 0, 0xff}[rand.IntN(5)]}, rand.IntN(16000))...)
		whole()
	case 11: // parts without end
		f[3] = 'C'
		return slices.Repeat([][]byte{whole()}, 100)
	}
	return [][]byte{f}
}

func tail(b []byte) []byte { return b[max(0, len(b)-4000):] }

var peak = regexp.MustCompile(`(?m)^VmHWM:\s+(\d+) kB$`)

// mostMemory is the most that a running process ever held, in MB. What wait tells
// of a process counts the one that started it, too.
func mostMemory(t *testing.T, pid int) int {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		t.Fatal(err)
	}
	m := peak.FindSubmatch(text)
	if m == nil {
		t.Fatalf("no peak of memory in\n%s", text)
	}
	kb, err := strconv.Atoi(string(m[1]))
	if err != nil {
		t.Fatal(err)
	}
	return kb >> 10
}
