package modbus_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/goburrow/modbus"
	server "github.com/simonvetter/modbus"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	linkmodbus "lapgate/gateway/link/modbus"
)

// serverVariable makes a run of this test binary the server of a benchmark, and
// loopVariable names a program on libmodbus that does the same calls.
const (
	serverVariable = "LAPGATE_BENCH_SERVER"
	loopVariable   = "LAPGATE_LIBMODBUS_LOOP"
)

// TestServeBenchmark is no test: it is the server of a benchmark, in a process
// of its own, until its standard input ends.
func TestServeBenchmark(t *testing.T) {
	if os.Getenv(serverVariable) == "" {
		t.Skip("only for benchmarks")
	}
	h := newHandler(t)
	fmt.Printf("serving %s\n", startServer(t, h, server.ServerConfiguration{}, "tcp"))
	_, _ = io.Copy(io.Discard, os.Stdin)
}

// serveApart starts a server in a process of its own.
func serveApart(b *testing.B) (address string) {
	b.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestServeBenchmark$")
	cmd.Env = append(os.Environ(), serverVariable+"=1")
	in, err := cmd.StdinPipe()
	if err != nil {
		b.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		_ = in.Close()
		_ = cmd.Wait()
	})
	for lines := bufio.NewScanner(out); lines.Scan(); {
		if address, ok := strings.CutPrefix(lines.Text(), "serving "); ok {
			go func() { _, _ = io.Copy(io.Discard, out) }()
			return address
		}
	}
	b.Fatal("the server did not begin")
	return ""
}

// loop is the program on libmodbus, nil where there is none.
type loop struct {
	in  io.Writer
	out *bufio.Scanner
}

func startLoop(b *testing.B, address string) *loop {
	b.Helper()
	path := os.Getenv(loopVariable)
	if path == "" {
		return nil
	}
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		b.Fatal(err)
	}
	cmd := exec.Command(path, host, port, "7")
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		b.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		_ = in.Close()
		_ = cmd.Wait()
	})
	return &loop{in, bufio.NewScanner(out)}
}

// do has the program do what a letter stands for, and returns its own time.
func (l *loop) do(b *testing.B, letter string) time.Duration {
	if _, err := io.WriteString(l.in, letter+"\n"); err != nil {
		b.Fatal(err)
	}
	if !l.out.Scan() {
		b.Fatal("the program on libmodbus ended")
	}
	n, err := strconv.ParseInt(l.out.Text(), 10, 64)
	if err != nil {
		b.Fatal(err)
	}
	return time.Duration(n)
}

// BenchmarkLink measures one poll (the request block) and one delivery
// (payload, its read-back, a last look and the commit) through the link, by
// bare calls of the library, and by libmodbus where it is there; in turns, so
// that all see the same machine. Ratios are of the medians. The library knows
// no contexts; bare-in-context has each of its calls pay for the deadline that
// the caller of a link makes.
func BenchmarkLink(b *testing.B) {
	address := serveApart(b)
	conf := config(b)
	conf.Timeout = time.Second
	p, err := must[*linkmodbus.Dialer](b)(linkmodbus.NewTCP(address, conf)).Dial(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	defer p.Close()
	c := startLoop(b, address)
	h := modbus.NewTCPClientHandler(address)
	h.SlaveId, h.Timeout, h.IdleTimeout = 7, time.Second, 0
	if err := h.Connect(); err != nil {
		b.Fatal(err)
	}
	defer h.Close()
	bare := modbus.NewClient(h)

	request := link.Span{Block: handshake.REQ, Dst: make([]uint16, handshake.ReqWords)}
	back := link.Span{Block: handshake.PAYLOAD, Dst: make([]uint16, handshake.PayloadWords)}
	payload, commit := make([]uint16, handshake.PayloadWords), make([]uint16, handshake.CommitWords)
	if err := (&handshake.Payload{Tag: "R2026-001190"}).Encode(payload); err != nil {
		b.Fatal(err)
	}
	if err := (&handshake.Commit{Offer: 3}).Encode(commit); err != nil {
		b.Fatal(err)
	}
	payloadBytes, commitBytes := make([]byte, 2*len(payload)), make([]byte, 2*len(commit))
	check := func(err error) {
		if err != nil {
			b.Fatal(err)
		}
	}
	bounded := func(call func(context.Context)) {
		ctx, cancel := context.WithTimeout(b.Context(), time.Second)
		call(ctx)
		cancel()
	}
	look := func(ctx context.Context) { check(p.Read(ctx, request)) }
	bareRead := func(at, n uint16) {
		_, err := bare.ReadHoldingRegisters(at, n)
		check(err)
	}
	bareWrite := func(at uint16, b []byte) {
		_, err := bare.WriteMultipleRegisters(at, uint16(len(b)/2), b)
		check(err)
	}
	for _, bench := range []struct {
		name string
		loop string
		link func()
		bare func(each func(call func()))
	}{
		{"poll", "p", func() { bounded(look) }, func(each func(func())) { each(func() { bareRead(1000, handshake.ReqWords) }) }},
		{"delivery", "d", func() {
			bounded(func(ctx context.Context) { check(p.Write(ctx, handshake.PAYLOAD, payload)) })
			bounded(func(ctx context.Context) { check(p.Read(ctx, back)) })
			bounded(look)
			bounded(func(ctx context.Context) { check(p.Write(ctx, handshake.COMMIT, commit)) })
		}, func(each func(func())) {
			each(func() { bareWrite(4030, payloadBytes) })
			each(func() { bareRead(4030, handshake.PayloadWords) })
			each(func() { bareRead(1000, handshake.ReqWords) })
			each(func() { bareWrite(4120, commitBytes) })
		}},
	} {
		b.Run(bench.name, func(b *testing.B) {
			b.ReportAllocs()
			var ours, theirs, within, its []time.Duration
			timed := func(into *[]time.Duration, call func()) func() {
				return func() {
					start := time.Now()
					call()
					*into = append(*into, time.Since(start))
				}
			}
			turns := []func(){
				timed(&ours, bench.link),
				timed(&theirs, func() { bench.bare(func(call func()) { call() }) }),
				timed(&within, func() { bench.bare(func(call func()) { bounded(func(context.Context) { call() }) }) }),
			}
			if c != nil {
				turns = append(turns, func() { its = append(its, c.do(b, bench.loop)) })
			}
			// In any order: who comes after a wait for another process finds a
			// colder machine.
			for b.Loop() {
				rand.Shuffle(len(turns), func(x, y int) { turns[x], turns[y] = turns[y], turns[x] })
				for _, turn := range turns {
					turn()
				}
			}
			mine := median(ours)
			report := func(name string, other time.Duration) {
				b.ReportMetric(float64(other.Nanoseconds()), name+"-ns")
				b.ReportMetric(float64(mine)/float64(other), "link/"+name)
			}
			b.ReportMetric(float64(mine.Nanoseconds()), "link-ns")
			report("bare", median(theirs))
			report("bare-in-context", median(within))
			if c != nil {
				report("libmodbus", median(its))
			}
		})
	}
}

func median(all []time.Duration) time.Duration {
	slices.Sort(all)
	return all[len(all)/2]
}
