package main

import (
	"bytes"
	"context"
	"flag"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"lapgate/sim/controller"
	"lapgate/sim/modbus"
	"lapgate/sim/registers"
)

var (
	realLines = flag.Int("real-lines", 5, "lines of the real daemon, of which one is mute, one has a full disk and one is hostile")
	realTime  = flag.Duration("real-time", 2*time.Second, "how long they are counted, without the bad lines and with them")
)

// The bad lines are the first ones.
const (
	muteLine    = iota // takes the connection and never answers
	fullLine           // its journal finds no room on the disk
	hostileLine        // an OPC UA server whose answers are changed
	badLines
)

// polled counts what the daemon reads of the request block of one controller at rest.
type polled struct {
	*controller.Image
	polls atomic.Int64
}

// Read counts.
func (p *polled) Read(addr uint16, count int) ([]uint16, error) {
	if addr == p.Bases().Of(registers.Request) {
		p.polls.Add(1)
	}
	return p.Image.Read(addr, count)
}

// controllers serves n controllers at rest, whose programs run.
func controllers(ctx context.Context, t *testing.T, n int) (all []*polled, addresses []string) {
	t.Helper()
	var programs []*controller.Controller
	for range n {
		p := &polled{Image: controller.NewImage(controller.DefaultBases())}
		s, err := modbus.Listen(ctx, "127.0.0.1:0", 1, p, nil)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = s.Close() })
		all, addresses = append(all, p), append(addresses, s.Addr())
		programs = append(programs, controller.Start(controller.DefaultConfig(), controller.Fresh(), 1))
	}
	var running sync.WaitGroup
	stop := make(chan struct{})
	t.Cleanup(func() { close(stop); running.Wait() })
	running.Go(func() {
		begun := time.Now()
		ticker := time.NewTicker(100 * time.Millisecond)
		defer ticker.Stop()
		for {
			select {
			case <-stop:
				return
			case <-ticker.C:
			}
			for i, c := range programs {
				area := all[i].Copy()
				c.Scan(uint32(time.Since(begun)/controller.Tick), &area, &controller.Inputs{Permissives: 0x3F, Mode: 1})
				all[i].Publish(c)
			}
		}
	})
	return all, addresses
}

// mute takes connections and says nothing.
func mute(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var taken []net.Conn
	var accepting sync.WaitGroup
	accepting.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			taken = append(taken, c)
		}
	})
	t.Cleanup(func() {
		_ = l.Close()
		accepting.Wait()
		for _, c := range taken {
			_ = c.Close()
		}
	})
	return l.Addr().String()
}

// TestBadLinesOfTheDaemon serves lines by the real daemon over sockets, once all well and
// once with a mute, a hostile and a full one. The others are polled all the while, over
// the one connection that they began with; it ends no sooner than they were and the bad
// lines have done their worst. How often is told, not judged.
func TestBadLinesOfTheDaemon(t *testing.T) {
	t.Parallel()
	if _, err := exec.LookPath("strace"); err != nil {
		t.Skip("needs strace: ", err)
	}
	ctx := t.Context()
	for _, bad := range []bool{false, true} {
		all, addresses := controllers(ctx, t, *realLines)
		dir := t.TempDir()
		text := string(manyLines(t, *realLines))
		if bad {
			addresses[muteLine] = mute(t)
		}
		for _, a := range addresses {
			text = strings.Replace(text, "address: 127.0.0.1:1502", "address: "+a, 1)
		}
		file := filepath.Join(dir, "lines.yaml")
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		args := []string{binary(t), "run", "--config", file, "--set", "status.listen=none", "--set", "log.level=error",
			"--set", "journal.directory=" + filepath.Join(dir, "journal")}
		var changed mutator
		if bad {
			changed = mutator{left: math.MaxInt, done: make(chan struct{})}
			args = append(args, serveLine(ctx, t, hostileLine, changed.answer).settings(t, hostileLine, filepath.Join(dir, "pki"))...)
			log := filepath.Join(dir, "journal", mutatedLine(fullLine)+".db-wal")
			args = append([]string{"strace", "-f", "--seccomp-bpf", "-qq", "-o", filepath.Join(dir, "full"), "-P", log,
				"-e", "trace=pwrite64", "-e", "inject=pwrite64:error=ENOSPC"}, args...)
		}
		var said heard
		daemon := exec.CommandContext(ctx, args[0], args[1:]...)
		daemon.Env, daemon.Stderr = cleanEnv(), &said
		begun := time.Now()
		if err := daemon.Start(); err != nil {
			t.Fatal(err)
		}
		for _, p := range all[badLines:] {
			for p.polls.Load() < 2 {
				<-time.After(10 * time.Millisecond)
			}
		}
		up := time.Since(begun)
		before, began := total(all[badLines:]), time.Now()
		<-time.After(*realTime)
		for total(all[badLines:]) == before || bad && (changed.count() == 0 || !strings.Contains(said.String(), diskFull)) {
			<-time.After(10 * time.Millisecond)
		}
		took := time.Since(began)
		polls := total(all[badLines:]) - before
		pid := daemon.Process.Pid
		if bad { // strace begins the daemon
			pid = childOf(t, pid)
		}
		megabytes, cpu := mostMemory(t, pid), processorTime(t, pid)
		process, err := os.FindProcess(pid)
		if err == nil {
			err = process.Signal(os.Interrupt)
		}
		if err != nil {
			t.Fatal(err)
		}
		if err := daemon.Wait(); err != nil && !bad { // the full line has ended
			t.Errorf("the daemon ended with %v\n%s", err, tail([]byte(said.String())))
		}
		if full := strings.Contains(said.String(), diskFull); full != bad {
			t.Errorf("a disk is full: %t, want %t\n%s", full, bad, tail([]byte(said.String())))
		}
		t.Logf("%d lines, bad ones among them: %t: all polled after %v; %.2f polls a second of each good line over %v; %d MB at most, %v of processor time since the start",
			*realLines, bad, up.Round(time.Millisecond), float64(polls)/float64(*realLines-badLines)/took.Seconds(), took.Round(time.Millisecond), megabytes, cpu)
	}
}

// diskFull is what the daemon says of the full line.
const diskFull = "the disk is full"

// heard is what a process that runs has said.
type heard struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (h *heard) Write(b []byte) (int, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.text.Write(b)
}

func (h *heard) String() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.text.String()
}

func total(all []*polled) (n int64) {
	for _, p := range all {
		n += p.polls.Load()
	}
	return n
}

// childOf is the process that another one began.
func childOf(t *testing.T, pid int) int {
	t.Helper()
	id := strconv.Itoa(pid)
	text, err := os.ReadFile(filepath.Join("/proc", id, "task", id, "children"))
	if err != nil {
		t.Fatal(err)
	}
	child, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		t.Fatal(err)
	}
	return child
}

// processorTime is what a running process took so far.
func processorTime(t *testing.T, pid int) time.Duration {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("/proc", strconv.Itoa(pid), "stat"))
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), ") ")
	const user, system = 11, 12 // of the fields after the name
	fields := strings.Fields(rest)
	ticks := 0
	for _, i := range []int{user, system} {
		n, err := strconv.Atoi(fields[i])
		if err != nil {
			t.Fatal(err)
		}
		ticks += n
	}
	return time.Duration(ticks) * 10 * time.Millisecond
}
