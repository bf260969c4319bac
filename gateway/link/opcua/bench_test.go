package opcua

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/gopcua/opcua"
	"github.com/gopcua/opcua/ua"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// serverVariable makes a run of this test binary the server of a benchmark; it
// names the folder of its certificates.
const serverVariable = "LAPGATE_BENCH_SERVER"

// TestServeBenchmark is no test: it is the server of a benchmark, in a process
// of its own, until its standard input ends.
func TestServeBenchmark(t *testing.T) {
	dir := os.Getenv(serverVariable)
	if dir == "" {
		t.Skip("only for benchmarks")
	}
	fmt.Printf("serving %s\n", another(t, plantSpec{vault: vaultIn(dir)}).address)
	_, _ = io.Copy(io.Discard, os.Stdin)
}

// serveApart starts a server in a process of its own.
func serveApart(b *testing.B) (address string) {
	b.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestServeBenchmark$")
	cmd.Env = append(os.Environ(), serverVariable+"="+filepath.Dir(vaultOf(b).folder))
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
	b.Fatal("the server did not start")
	return ""
}

// BenchmarkAgainstBare measures one poll (the request block and three outcomes)
// and one delivery (payload, its read-back, a last look and the commit)
// through the link and by bare calls of the library's client, in turns, so that
// both see the same machine. The ratio is of the medians. The server is a process
// of its own, so the bytes are those that the link alone allocates.
func BenchmarkAgainstBare(b *testing.B) {
	for _, sec := range []security{{PolicyNone, ModeNone}, best} {
		b.Run(sec.String(), func(b *testing.B) { benchmark(b, sec) })
	}
}

// bareClient connects the library's own client, with its defaults.
func bareClient(b testing.TB, s Settings) *opcua.Client {
	v := vaultOf(b)
	own, err := ownIdentity(v.folder)
	if err != nil {
		b.Fatal(err)
	}
	endpoints, err := opcua.GetEndpoints(b.Context(), s.Endpoint)
	if err != nil {
		b.Fatal(err)
	}
	for _, e := range endpoints {
		if e.SecurityPolicyURI != s.Policy.uri() || e.SecurityMode != s.Mode.code() {
			continue
		}
		options := []opcua.Option{opcua.AuthAnonymous(), opcua.AutoReconnect(false)}
		if s.Policy != PolicyNone {
			options = append(options, opcua.Certificate(own.cert.Raw), opcua.PrivateKey(own.key))
		}
		c, err := opcua.NewClient(s.Endpoint, append(options, opcua.SecurityFromEndpoint(e, ua.UserTokenTypeAnonymous))...)
		if err != nil {
			b.Fatal(err)
		}
		if err := c.Connect(b.Context()); err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { _ = c.Close(context.Background()) })
		return c
	}
	b.Fatal("no such endpoint")
	return nil
}

func benchmark(b *testing.B, sec security) {
	s := settings(b, serveApart(b), sec)
	p := dial(b, s)
	bare := bareClient(b, s)
	spans := []link.Span{span(handshake.REQ, 0), span(handshake.OUT, 7), span(handshake.OUT, 8), span(handshake.OUT, 9)}
	back := span(handshake.PAYLOAD, 0)
	payload, commit := make([]uint16, handshake.PayloadWords), make([]uint16, handshake.CommitWords)
	check := func(err error) {
		if err != nil {
			b.Fatal(err)
		}
	}
	check((&handshake.Payload{Tag: "R2026-001190"}).Encode(payload))
	check((&handshake.Commit{Offer: 3}).Encode(commit))
	read := func(spans ...link.Span) func(context.Context) {
		return func(ctx context.Context) { check(p.Read(ctx, spans...)) }
	}
	write := func(ctx context.Context, id handshake.ID, words []uint16) { check(p.Write(ctx, id, words)) }
	bareRead := func(spans ...link.Span) func(context.Context) {
		var nodes []*ua.ReadValueID
		for _, s := range spans {
			nodes = append(nodes, &ua.ReadValueID{NodeID: p.item(s.Block, s.Entry).NodeID})
		}
		return func(ctx context.Context) {
			r, err := bare.Read(ctx, &ua.ReadRequest{NodesToRead: nodes, TimestampsToReturn: ua.TimestampsToReturnBoth})
			check(err)
			if len(r.Results) != len(spans) || r.Results[0].Status != ua.StatusOK {
				b.Fatal("bad answer")
			}
		}
	}
	bareWrite := func(ctx context.Context, id handshake.ID, words []uint16) {
		value, err := ua.NewVariant(words)
		check(err)
		r, err := bare.Write(ctx, &ua.WriteRequest{NodesToWrite: []*ua.WriteValue{{
			NodeID: p.item(id, 0).NodeID, AttributeID: ua.AttributeIDValue,
			Value: &ua.DataValue{EncodingMask: ua.DataValueValue, Value: value},
		}}})
		check(err)
		wantOne(b, r.Results)
	}
	look, lookBare := read(spans[0]), bareRead(spans[0])
	readBack, readBackBare := read(back), bareRead(back)
	for _, bench := range []struct {
		name       string
		link, bare func(context.Context)
	}{
		{"poll", read(spans...), bareRead(spans...)},
		{"delivery", func(ctx context.Context) {
			write(ctx, handshake.PAYLOAD, payload)
			readBack(ctx)
			look(ctx)
			write(ctx, handshake.COMMIT, commit)
		}, func(ctx context.Context) {
			bareWrite(ctx, handshake.PAYLOAD, payload)
			readBackBare(ctx)
			lookBare(ctx)
			bareWrite(ctx, handshake.COMMIT, commit)
		}},
	} {
		b.Run(bench.name, func(b *testing.B) { inTurns(b, bench.link, bench.bare) })
	}
}

// inTurns measures two ways to do the same.
func inTurns(b *testing.B, link, bare func(context.Context)) {
	bounded := func(call func(context.Context)) {
		ctx, cancel := context.WithTimeout(b.Context(), time.Second)
		call(ctx)
		cancel()
	}
	var ours, theirs []time.Duration
	for b.Loop() {
		start := time.Now()
		bounded(link)
		middle := time.Now()
		bounded(bare)
		ours, theirs = append(ours, middle.Sub(start)), append(theirs, time.Since(middle))
	}
	slices.Sort(ours)
	slices.Sort(theirs)
	mine, its := ours[len(ours)/2], theirs[len(theirs)/2]
	b.ReportMetric(float64(mine.Nanoseconds()), "link-ns")
	b.ReportMetric(float64(its.Nanoseconds()), "bare-ns")
	b.ReportMetric(float64(mine)/float64(its), "ratio")
	const calls = 200
	var before, after runtime.MemStats
	ctx, cancel := context.WithTimeout(b.Context(), time.Minute)
	defer cancel()
	runtime.ReadMemStats(&before)
	for range calls {
		link(ctx)
	}
	runtime.ReadMemStats(&after)
	b.ReportMetric(float64(after.TotalAlloc-before.TotalAlloc)/calls, "link-B/op")
	b.ReportMetric(float64(after.Mallocs-before.Mallocs)/calls, "link-allocs/op")
}

func wantOne(b *testing.B, results []ua.StatusCode) {
	if len(results) != 1 || results[0] != ua.StatusOK {
		b.Fatalf("write: %v", results)
	}
}
