package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"lapgate/configs"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/rehearse"
	"lapgate/gateway/replay/replaytest"
	"lapgate/gateway/stationtest"
	"lapgate/sim"
)

// killCount is how often the daemon is killed: a few times in the normal test,
// as often as LAPGATE_KILLS says elsewhere.
func killCount(t *testing.T) int {
	t.Helper()
	text := os.Getenv("LAPGATE_KILLS")
	if text == "" {
		return 3
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		t.Fatalf("LAPGATE_KILLS is %q, want a number from 1", text)
	}
	return n
}

// TestKill kills the real daemon with signal 9 at random moments of a shift and
// starts it again on the same journal. At the end the line itself must have
// seen no offer accepted twice, and the journal must be sound and have every
// roll. Many kills are shared among four shifts side by side.
func TestKill(t *testing.T) {
	t.Parallel()
	kills := killCount(t)
	seed := uint64(1)
	if text := os.Getenv("LAPGATE_KILL_SEED"); text != "" {
		var err error
		if seed, err = strconv.ParseUint(text, 10, 64); err != nil {
			t.Fatal(err)
		}
	}
	shifts := min(4, 1+kills/10)
	for i := range shifts {
		t.Run(fmt.Sprintf("seed %d", seed+uint64(i)), func(t *testing.T) {
			t.Parallel()
			for left, again := (kills+i)/shifts, uint64(0); left > 0 && !t.Failed(); again++ {
				left -= killed(t, left, seed+uint64(i)+100*again)
			}
		})
	}
}

// killed wraps one shift, in which the daemon is killed so often; or as often as the shift
// lasts on a machine that lets the daemons live long, and more often on one where they need
// long to begin. It returns how often that was.
func killed(t *testing.T, kills int, seed uint64) (done int) {
	dir := t.TempDir()
	exe := binary(t)
	configFile := filepath.Join(dir, "demo.yaml")
	if err := os.WriteFile(configFile, configs.Demo(), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx := t.Context()
	ledger := filepath.Join(dir, "ledger.json")
	line, address := startSim(ctx, t, exe, 4+2*kills, seed, "--ledger", ledger)
	rng := rand.New(rand.NewPCG(seed, 9))
	var log bytes.Buffer
	daemon := func() *exec.Cmd {
		cmd := exec.CommandContext(ctx, exe, "run", "--config", configFile,
			"--set", "lines.0.controller.address="+address,
			"--set", "journal.directory="+dir, "--set", "status.listen=none")
		cmd.Env = cleanEnv()
		cmd.Stderr = &log
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		return cmd
	}
	path := filepath.Join(dir, "north.db")
	var lives lives
	first := daemon()
	armForGood(t, filepath.Join(dir, "control.sock"))
	if err := first.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = first.Wait() // says that it was killed
	lives.add(t, path)
	ended := func() bool {
		select {
		case <-line.ended:
			return true
		default:
			return false
		}
	}
	const life = 2500 * time.Millisecond // of a daemon at most, and longer until one has come as far as a session
	for most := life; (done < kills || lives.sessions == 0) && !ended(); done++ {
		cmd := daemon()
		select {
		case <-time.After(30*time.Millisecond + time.Duration(rng.Int64N(int64(most)))):
		case <-line.ended:
		}
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = cmd.Wait() // says that it was killed
		if lives.add(t, path); lives.sessions == 0 {
			most += life
		}
	}
	if !ended() {
		last := daemon()
		<-line.ended
		if err := last.Process.Signal(os.Interrupt); err != nil {
			t.Fatal(err)
		}
		// Before main a signal ends it by itself.
		if err := last.Wait(); err != nil && !strings.Contains(err.Error(), "signal: interrupt") {
			t.Errorf("the last daemon ended with %v\n%s", err, log.String())
		}
	}

	if line.err != nil {
		t.Errorf("the simulator ended with %v: %s", line.err, line.stderr)
	}
	var report sim.Report
	if err := json.Unmarshal(line.stdout, &report); err != nil {
		t.Fatalf("%v\n%s", err, line.stdout)
	}
	for _, v := range report.Violations {
		t.Error(v)
	}
	if report.Accepted == 0 || report.Sessions < 2 {
		t.Errorf("%d recipes accepted in %d sessions: the kills hit nothing", report.Accepted, report.Sessions)
	}
	lives.add(t, path)
	if lives.armed == 0 {
		t.Error("the line was never armed again: the kills hit nothing")
	}
	verified, err := journal.Verify(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range verified.Problems {
		t.Errorf("journal: %s", p)
	}
	if replaytest.Same(t, path, replaytest.Configuration{Line: demoSnapshot(t).Lines[0].Recipe}) == 0 {
		t.Error("no round was decided again")
	}
	missing, err := rehearse.Unaccounted(ctx, path, &report)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range missing {
		t.Error(m)
	}
	histories(t, ledger, path)
	t.Logf("%d kills, %d rolls, %d accepted, %d held, %d sessions, %d records, seed %d; of %d daemons that began, %d armed the line again and %d were killed before",
		done, len(report.Rolls), report.Accepted, report.Held, report.Sessions, verified.Records, seed,
		lives.begun, lives.armed, lives.begun-lives.armed)
	return done
}

// lives are the daemons that served a line which is armed to last, one after the other.
type lives struct {
	read     uint64 // records looked at
	begun    int
	armed    int // that armed the line again
	sessions int
}

// add looks at what a daemon wrote that has been killed: whatever it was at, the line was
// armed again under the name that armed it or still waited for its controller, it opened
// no session before, and it never fell into shadow.
func (l *lives) add(t *testing.T, path string) {
	t.Helper()
	r, err := journal.OpenReader(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	resumed := false
	err = r.Walk(t.Context(), journal.Filter{FromSeq: l.read + 1}, func(e journal.Entry) error {
		l.read = e.Seq
		switch r := e.Record.(type) {
		case record.Config:
			l.begun++
			resumed = false
		case record.Mode:
			switch {
			case !r.Armed || r.By != "test" || r.Lasts == nil:
				t.Errorf("record %d: the line is left in another mode: %+v", e.Seq, r)
			case r.Cause == record.CauseResumed:
				l.armed++
			case l.begun != 1:
				t.Errorf("record %d: armed without a cause: %+v", e.Seq, r)
			}
			resumed = true
		case record.Session:
			l.sessions++
			if !resumed {
				t.Errorf("record %d: a session of a daemon that had not armed the line", e.Seq)
			}
		}
		return nil
	})
	if err := errors.Join(err, r.Close()); err != nil {
		t.Fatal(err)
	}
}

// histories holds a simulator's ledger and the journal of a shift that came to rest
// against a sequential station.
func histories(t *testing.T, ledger, path string) {
	t.Helper()
	text, err := os.ReadFile(ledger)
	if err != nil {
		t.Fatal(err)
	}
	h := stationtest.History{Rest: true}
	if h.Ledger, err = stationtest.ReadLedger(bytes.NewReader(text)); err != nil {
		t.Fatal(err)
	}
	r, err := journal.OpenReader(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	err = r.Replay(t.Context(), func(s record.Stored) error {
		h.Journal = append(h.Journal, stationtest.Entry{At: s.At.UnixMicro(), Record: s.Record})
		return nil
	})
	if err := errors.Join(err, r.Close()); err != nil {
		t.Fatal(err)
	}
	report, err := h.Check()
	if err != nil || report.Offers == 0 || report.Overtaken > 0 {
		t.Errorf("histories: %+v, %v", report, err)
	}
	t.Logf("%d events and %d records: %+v", len(h.Ledger), len(h.Journal), report)
}

// cleanEnv is the environment without what speaks to this program.
func cleanEnv() []string {
	return slices.DeleteFunc(os.Environ(), func(kv string) bool { return strings.HasPrefix(kv, "LAPGATE_") })
}

// simProcess is a running `lapgate sim`. The fields are set when ended is
// closed.
type simProcess struct {
	cmd            *exec.Cmd
	ended          chan struct{}
	stdout, stderr []byte
	err            error
}

// startSim starts a simulator and returns its Modbus address.
func startSim(ctx context.Context, t *testing.T, exe string, rolls int, seed uint64, more ...string) (*simProcess, string) {
	t.Helper()
	p, addresses := startSimServers(ctx, t, exe, []string{"modbus-tcp"}, append(more, "--rolls", strconv.Itoa(rolls), "--seed", strconv.FormatUint(seed, 10))...)
	return p, addresses[0]
}

// startSimServers starts a simulator and returns the addresses of its servers,
// in the order of the protocols that it prints.
func startSimServers(ctx context.Context, t *testing.T, exe string, protocols []string, args ...string) (*simProcess, []string) {
	t.Helper()
	cmd := exec.CommandContext(ctx, exe, append([]string{"sim", "--json"}, args...)...)
	cmd.Env = cleanEnv()
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	stderr, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewReader(stderr)
	var addresses []string
	for _, protocol := range protocols {
		text, err := lines.ReadString('\n')
		if err != nil {
			t.Fatal(err)
		}
		address, ok := strings.CutPrefix(strings.TrimSpace(text), protocol+" ")
		if !ok {
			t.Fatalf("the simulator prints %q, want its address for %s", text, protocol)
		}
		addresses = append(addresses, address)
	}
	p := &simProcess{cmd: cmd, ended: make(chan struct{})}
	go func() {
		rest := make(chan []byte)
		go func() {
			b, _ := io.ReadAll(lines) // cut short when the process dies, which Wait tells
			rest <- b
		}()
		p.stdout, _ = io.ReadAll(stdout)
		p.stderr = <-rest
		p.err = cmd.Wait()
		close(p.ended)
	}()
	return p, addresses
}
