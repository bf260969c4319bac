package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/inspect"
	"lapgate/gateway/rehearse"
	"lapgate/sim"
)

// deadAddress is one where nobody listens.
func deadAddress() string { return "127.0.0.1:1" }

// liveLine is a simulated line in this process that goes on until the test
// ends.
func liveLine(t *testing.T) string {
	t.Helper()
	return simulate(t, []byte(patientDemo(t)), func(c *sim.Config) { c.Linger = true })
}

// simulate has the first line of a configuration simulated until the test ends, and returns
// the address of its controller. change says how else.
func simulate(t *testing.T, text []byte, change func(*sim.Config)) string {
	t.Helper()
	s, err := config.Load(config.Source{Path: demoName, Bytes: text})
	if err != nil {
		t.Fatal(err)
	}
	c, err := rehearse.Line(&s.Lines[0])
	if err != nil {
		t.Fatal(err)
	}
	c.Modbus.Addr, c.Limit = "127.0.0.1:0", time.Hour
	c.Rolls = c.Shift(1, 200)
	change(&c)
	line, err := sim.New(c)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		_, _ = line.Run(ctx) // cut off by the end of the test
	}()
	t.Cleanup(func() {
		cancel()
		<-ended
		if err := line.Close(); err != nil {
			t.Error(err)
		}
	})
	return line.ModbusAddr()
}

// twoLines writes a configuration of two lines with those addresses.
func twoLines(t *testing.T, dir, north, south string) string {
	t.Helper()
	text := patientDemo(t)
	i := strings.Index(text, "  - name: north")
	if i < 0 {
		t.Fatal("the demo has no line north")
	}
	second := strings.Replace(text[i:], "name: north", "name: south", 1)
	const address = "address: 127.0.0.1:1502"
	text = strings.Replace(text[:i]+text[i:], address, "address: "+north, 1) + strings.Replace(second, address, "address: "+south, 1)
	text = strings.Replace(text, "directory: journal", "directory: "+filepath.Join(dir, "j"), 1)
	text += "\nstatus:\n  listen: 127.0.0.1:0\n"
	file := filepath.Join(dir, "mill.yaml")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// aDaemon is a daemon in a process of its own.
type aDaemon struct {
	t    *testing.T
	cmd  *exec.Cmd
	logs *bufio.Scanner
	log  strings.Builder
	page string
}

func startDaemon(ctx context.Context, t *testing.T, file string) *aDaemon {
	t.Helper()
	d := &aDaemon{t: t, cmd: exec.CommandContext(ctx, binary(t), "run", "--config", file, "--set", "log.format=json")}
	d.cmd.Env = cleanEnv()
	stderr, err := d.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := d.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	d.logs = bufio.NewScanner(stderr)
	d.page = d.await(`"address":"(http://127\.0\.0\.1:[0-9]+/)"`)[1]
	return d
}

// await reads the log up to a line that matches.
func (d *aDaemon) await(pattern string) []string {
	d.t.Helper()
	re := regexp.MustCompile(pattern)
	for d.logs.Scan() {
		d.log.WriteString(d.logs.Text() + "\n")
		if m := re.FindStringSubmatch(d.logs.Text()); m != nil {
			return m
		}
	}
	d.t.Fatalf("no line matches %s in\n%s", pattern, d.log.String())
	return nil
}

func (d *aDaemon) stop() {
	d.t.Helper()
	if err := d.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		d.t.Fatal(err)
	}
	for d.logs.Scan() {
		d.log.WriteString(d.logs.Text() + "\n")
	}
	if err := d.cmd.Wait(); err != nil {
		d.t.Errorf("the daemon ended with %v\n%s", err, d.log.String())
	}
}

func (d *aDaemon) status() string {
	d.t.Helper()
	resp, err := http.Get(d.page + "status.json")
	if err != nil {
		d.t.Fatal(err)
	}
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		d.t.Fatal(err)
	}
	if err := resp.Body.Close(); err != nil {
		d.t.Fatal(err)
	}
	return string(body)
}

// command runs a command in this process and wants an exit code and, in what it
// printed, a text.
func command(t *testing.T, code int, text string, args ...string) string {
	t.Helper()
	var stdout, stderr bytes.Buffer
	got := run(args, nil, strings.NewReader(""), &stdout, &stderr)
	all := stdout.String() + stderr.String()
	if got != code || !strings.Contains(all, text) {
		t.Errorf("%v ended with %d, want %d and %q in\n%s", args, got, code, text, all)
	}
	return all
}

// armForGood arms the only line of a daemon that has just been started, over restarts
// too.
func armForGood(t *testing.T, socket string) {
	t.Helper()
	var out bytes.Buffer
	for end := time.Now().Add(10 * time.Minute); time.Now().Before(end); <-time.After(50 * time.Millisecond) {
		out.Reset()
		if run([]string{"arm", "--socket", socket, "--by", "test", "--reason", "a simulated controller", "--keep"}, nil, nil, &out, &out) == exitDone {
			return
		}
	}
	t.Fatalf("the line was not armed: %s", out.String())
}

// TestCommissioning goes the way from shadow to armed and back on a daemon of
// two lines, of which one has no controller: it must hinder nothing.
func TestCommissioning(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	north := liveLine(t)
	file := twoLines(t, dir, north, deadAddress())
	ctx := t.Context()

	out := command(t, exitUnreachable, "controller not reachable: line south", "check", "--online", "--config", file)
	wants(t, out, `^line +north$`, `^address +`+regexp.QuoteMeta(north)+`$`, `^ok +block REQ +96 registers`, `^ok +tick +`, `^note +journal +none`, `^FAIL +connection +`)
	command(t, exitDone, "boot id", "check", "--online", "--config", file, "--line", "north")
	command(t, exitFailed, "no daemon takes commands there", "disarm", "--config", file)

	d := startDaemon(ctx, t, file)
	d.await(`controller not reachable.*"line":"south"|"line":"south".*controller not reachable`)
	command(t, exitUsage, "--by NAME", "arm", "--config", file, "--line", "north")
	command(t, exitUsage, "north, south", "arm", "--config", file, "--by", "kim", "--reason", "go")
	command(t, exitUsage, `no line is named "west"`, "arm", "--config", file, "--line", "west", "--by", "kim", "--reason", "go")
	command(t, exitUnreachable, "stays in shadow", "arm", "--config", file, "--line", "south", "--by", "kim", "--reason", "go")
	command(t, exitDone, "line north: armed by kim: shadow compared", "arm", "--config", file, "--line", "north", "--by", "kim", "--reason", "shadow compared")
	command(t, exitDone, "line north: was armed already; now by kim: for the night; also over a restart", "arm", "--config", file, "--line", "north", "--by", "kim", "--reason", "for the night", "--keep")
	d.await(`a session is open`)
	if s := d.status(); strings.Count(s, `"armed": true`) != 1 || strings.Count(s, `"connected": true`) != 1 {
		t.Errorf("status after arming:\n%s", s)
	}
	command(t, exitUsage, "a hold needs", "hold", "--config", file)
	command(t, exitDone, "line south: every roll is held", "hold", "--config", file, "--by", "kim", "--reason", "cleaning")
	if s := d.status(); strings.Count(s, `"hold_all": true`) != 2 {
		t.Errorf("status while held:\n%s", s)
	}
	command(t, exitDone, "line north: the hold is ended", "hold", "--off", "--config", file, "--by", "kim", "--reason", "clean")
	onSouth := []string{"--config", file, "--line", "south", "--by", "kim", "--yes"}
	command(t, exitUsage, "the line has no slot 9; it has 1", append([]string{"hang", "--slot", "9", "--empty"}, onSouth...)...)
	command(t, exitUsage, "the configuration lets no wrapper of 36 in hang at slot 2", append([]string{"hang", "--slot", "2", "--width", "36 in", "--paper", "kraft-poly"}, onSouth...)...)
	command(t, exitDone, "line south: slot 2, act 1 is recorded: it takes effect when", append([]string{"hang", "--slot", "2", "--width", "34 in", "--paper", "kraft-poly"}, onSouth...)...)
	command(t, exitDone, "line south: slot 2, act 2 is recorded: act 1 is taken back", append([]string{"hang", "--slot", "2", "--correct", "1"}, onSouth...)...)
	command(t, exitUsage, "heads is manual in the configuration", append([]string{"station", "heads", "manual"}, onSouth...)...)
	command(t, exitDone, "line south: header is recorded: from the next request on", append([]string{"station", "header", "manual", "--until", "06:00"}, onSouth...)...)

	// Reloads: nothing new, something new, something invalid, and what needs a
	// restart, which is refused with both values.
	command(t, exitDone, "0 changes", "reload", "--config", file)
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	save := func(from, to string) {
		t.Helper()
		next := strings.Replace(string(text), from, to, 1)
		if next == string(text) {
			t.Fatalf("no %q in the configuration", from)
		}
		if err := os.WriteFile(file, []byte(next), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	save("layers: 4", "layers: 5")
	command(t, exitDone, "specs.1.layers: 4 -> 5", "reload", "--config", file, "--by", "kim")
	save("layers: 4", "layers: many")
	command(t, exitConfig, `got "many"`, "reload", "--socket", filepath.Join(dir, "j", "control.sock"))
	command(t, exitConfig, "give --socket PATH", "reload", "--config", file)
	if s := d.status(); !strings.Contains(s, `"refused": {`) || !strings.Contains(s, `"reloaded_by": "kim"`) {
		t.Errorf("status after a refusal:\n%s", s)
	}
	save("swap: keep", "away: 1 min")
	command(t, exitDifferences, "lines.0.arming.away: would change from 900 s to 60 s; restart the daemon", "reload", "--config", file)
	if err := os.WriteFile(file, text, 0o600); err != nil {
		t.Fatal(err)
	}

	// check goes on beside the daemon, and sees it.
	command(t, exitDone, "a gateway serves this controller now", "check", "--online", "--config", file, "--line", "north")
	command(t, exitDone, "line north: disarmed", "disarm", "--config", file, "--reason", "end of the trial")
	if s := d.status(); strings.Contains(s, `"armed": true`) {
		t.Errorf("status after disarming:\n%s", s)
	}
	command(t, exitDone, "line north: armed", "arm", "--config", file, "--line", "north", "--by", "kim", "--reason", "again")
	d.stop()

	// What was armed for the stay of the daemon is in shadow after a restart.
	d = startDaemon(ctx, t, file)
	d.await("would get")
	modes := command(t, exitDone, "MODE", "journal", "list", filepath.Join(dir, "j", "north.db"), "--kind", "mode", "--json")
	if n := strings.Count(modes, `"kind":"MODE"`) + strings.Count(modes, `"kind": "MODE"`); n != 5 || !strings.Contains(modes, "started anew") {
		t.Errorf("%d records of the mode, want 5, the last by the restart:\n%s", n, modes)
	}
	if s := d.status(); strings.Contains(s, `"armed": true`) {
		t.Errorf("status after a restart:\n%s", s)
	}
	d.stop()
	command(t, exitDone, "", "journal", "verify", filepath.Join(dir, "j", "north.db"))
	command(t, exitDone, "", "journal", "verify", filepath.Join(dir, "j", "south.db"))
}

// TestOnlineFindsDifferences looks at a sound controller with a configuration
// that does not fit it.
func TestOnlineFindsDifferences(t *testing.T) {
	t.Parallel()
	addr := liveLine(t)
	args := func(set string) []string {
		return []string{"check", "--online", "--json", "--config", demoPath(t), "--set", "lines.0.controller.address=" + addr, "--set", "journal.directory=" + t.TempDir(), "--set", set}
	}
	for _, c := range []struct {
		name, set, subject string
		verdict            inspect.Verdict
		code               int
	}{
		{"as it is", "log.level=info", "block ACK", inspect.OK, exitDone},
		{"base of the request", "lines.0.controller.bases.request=1001", "block REQ", inspect.Fail, exitDifferences},
		{"base outside", "lines.0.controller.bases.ack=60000", "block ACK", inspect.Warn, exitDone},
		{"permissive that is off", "lines.0.limits.permissives=0x8000003F", "permissives", inspect.Note, exitDone},
		{"other unit", "lines.0.controller.unit=9", "connection", inspect.Fail, exitUnreachable},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			var stdout, stderr bytes.Buffer
			if got := run(args(c.set), nil, nil, &stdout, &stderr); got != c.code {
				t.Errorf("ended with %d, want %d: %s%s", got, c.code, stdout.String(), stderr.String())
			}
			var out struct{ Online []inspect.LineReport }
			if err := json.Unmarshal(stdout.Bytes(), &out); err != nil || len(out.Online) != 1 {
				t.Fatalf("%v: %s", err, stdout.String())
			}
			for _, i := range out.Online[0].Items {
				if i.Subject == c.subject && i.Verdict == c.verdict {
					if i.Verdict == inspect.Fail && i.Remedy == "" {
						t.Errorf("no remedy: %s", i)
					}
					return
				}
			}
			t.Errorf("%s is not %s in %s", c.subject, c.verdict, stdout.String())
		})
	}
}

// demoPath is the demo's configuration as a file.
func demoPath(t *testing.T) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), demoName)
	if err := os.WriteFile(file, []byte(patientDemo(t)), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}
