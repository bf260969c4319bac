package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"lapgate/gateway/acceptance"
	"lapgate/gateway/bench"
	"lapgate/gateway/config"
	"lapgate/gateway/conform"
	"lapgate/gateway/handshake"
	"lapgate/gateway/rehearse"
	"lapgate/recipe/quantity"
	"lapgate/sim/controller"
	"lapgate/sim/modbus"
)

// benchRig is the simulated controller behind a socket, with nothing around it but what
// a person simulates.
type benchRig struct {
	*controller.Image
	config controller.Config
	bases  controller.Bases
	addr   string
	writes atomic.Int64
	silent bool // its request says that it publishes no limits

	mu   sync.Mutex
	c    *controller.Controller
	in   controller.Inputs
	tick uint32
}

const benchScan = 20 * time.Millisecond

func (b *benchRig) Write(addr uint16, words []uint16) error {
	b.writes.Add(1)
	return b.Image.Write(addr, words)
}

func (b *benchRig) Read(addr uint16, count int) ([]uint16, error) {
	words, err := b.Image.Read(addr, count)
	if n := len(words) - 2; err == nil && b.silent && addr == b.bases.Req && count == handshake.Words(handshake.REQ) {
		words[handshake.FieldOf(handshake.REQ, "flags").Register] &^= uint16(handshake.LimitsPublished)
		sum := handshake.CRC(words[:n])
		words[n], words[n+1] = uint16(sum>>16), uint16(sum)
	}
	return words, err
}

// newBenchRig runs a controller in maintenance with an empty station.
func newBenchRig(t *testing.T) *benchRig { return newBenchRigWith(t, func(*controller.Config) {}) }

func newBenchRigWith(t *testing.T, change func(*controller.Config)) *benchRig {
	t.Helper()
	s, err := config.Load(config.Source{Path: demoName, Bytes: []byte(patientDemo(t))})
	if err != nil {
		t.Fatal(err)
	}
	line, err := rehearse.Line(&s.Lines[0])
	if err != nil {
		t.Fatal(err)
	}
	b := &benchRig{Image: controller.NewImage(line.Bases), config: line.Program, bases: line.Bases}
	b.config.GoneTime = 200 * time.Millisecond
	change(&b.config)
	b.in = controller.Inputs{
		Permissives: line.Program.Permissives, Mode: 2, State: 4, SlotsReady: 0x3F,
		SlotOuter: [6]uint16{900, 900, 900, 900, 900, 900}, Platen: 1767, PlatenHot: 1767,
	}
	b.c = controller.Start(b.config, controller.Fresh(), 210_000_000)
	b.scan()
	ctx, cancel := context.WithCancel(t.Context())
	server, err := modbus.Listen(ctx, "127.0.0.1:0", 1, b, nil)
	if err != nil {
		t.Fatal(err)
	}
	b.addr = server.Addr()
	var done sync.WaitGroup
	done.Go(func() {
		every := time.NewTicker(benchScan)
		defer every.Stop()
		for {
			select {
			case <-every.C:
				b.press(func(*controller.Inputs) {})
			case <-ctx.Done():
				return
			}
		}
	})
	t.Cleanup(func() {
		cancel()
		done.Wait()
		if err := server.Close(); err != nil {
			t.Error(err)
		}
	})
	return b
}

// scan runs one scan. What is pressed is pressed for that scan alone.
func (b *benchRig) scan() {
	b.tick += 2
	area := b.Image.Copy()
	b.c.Scan(b.tick, &area, &b.in)
	b.Image.Publish(b.c)
	b.in.Enter, b.in.Measured, b.in.Done, b.in.Retry, b.in.Abort = nil, nil, nil, false, false
	b.in.Confirm = controller.Inputs{}.Confirm
}

// press changes the inputs of the next scan and runs it.
func (b *benchRig) press(change func(*controller.Inputs)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	change(&b.in)
	b.scan()
}

// leave has the sensor off for longer than GONE_TIME, by the scans and not by the clock.
func (b *benchRig) leave() {
	b.press(func(in *controller.Inputs) { in.RollPresent = false })
	for off := time.Duration(0); off <= b.config.GoneTime; off += benchScan {
		b.press(func(*controller.Inputs) {})
	}
}

// bring enters what an act says.
func (b *benchRig) bring(text string) {
	m := controller.Measurement{Quality: 95, Valid: true, DiameterN: 12, WidthN: 8}
	length := func(v string) uint32 {
		held, err := quantity.Parse(v, quantity.Length)
		if err != nil {
			panic(err)
		}
		return uint32(held*1e4 + 0.5)
	}
	code := func(v string) uint16 {
		n, err := strconv.ParseUint(v, 10, 16)
		if err != nil {
			panic(err)
		}
		return uint16(n)
	}
	off := uint32(0)
	_, text, _ = strings.Cut(text, ": ")
	text, _, _ = strings.Cut(text, " (step ")
	for _, one := range strings.Split(text, ", ") {
		switch name, value, _ := strings.Cut(one, " "); name {
		case "tag":
			m.Tag = controller.TagOf(value)
		case "diameter":
			m.Diameter = length(value)
		case "width":
			m.Width = length(value)
		case "grade":
			m.Grade = code(value)
		case "core":
			m.Core = code(value)
		case "with":
			var n int
			if _, err := fmt.Sscanf(value, "permissive %d taken", &n); err != nil {
				panic(err)
			}
			off = 1 << (n - 1)
		}
	}
	for i := range m.Diameters {
		m.Diameters[i] = uint16(m.Diameter)
	}
	for i := range m.Widths {
		m.Widths[i] = uint16(m.Width)
	}
	b.leave()
	b.press(func(in *controller.Inputs) {
		m.Tick = b.tick
		in.Permissives &^= off
		in.RollPresent, in.Enter = true, &m
	})
}

// do does what a person is asked for, by the name of the act.
func (b *benchRig) do(act, text string) {
	switch act {
	case "leave-maintenance":
		b.press(func(in *controller.Inputs) { in.Mode = 1 })
	case "maintenance":
		b.press(func(in *controller.Inputs) { in.Mode = 2 })
	case "bring":
		b.bring(text)
	case "finish":
		b.press(func(in *controller.Inputs) { in.Done = &controller.Used{} })
	case "remove":
		b.leave()
	case "permissive-on":
		b.press(func(in *controller.Inputs) { in.Permissives = b.config.Permissives })
	default:
		panic("nobody knows the act " + act)
	}
}

// anyRoll is a roll that no plan has.
const anyRoll = "A roll: tag X-1, diameter 50 in, width 62 in, grade 1, core 1 (step none)"

// benchPerson reads what the program asks and answers.
type benchPerson struct {
	t     *testing.T
	rig   *benchRig
	types map[string]string // what is typed to a question, by words of it
	acts  []string          // that were asked for
	// instead is asked for each act whether the person does something else, and what they
	// type then, empty for nothing; nil for a person who does as told.
	instead func(act string) (answer string, other bool)

	in    *io.PipeWriter
	buf   bytes.Buffer
	asked string // newest
}

// Write takes what the program writes to standard error.
func (p *benchPerson) Write(text []byte) (int, error) {
	p.buf.Write(text)
	switch asked := string(text); {
	case strings.Contains(asked, atController):
		_, p.asked, _ = strings.Cut(asked, atController)
	case asked == "Type done, or skip: ":
		p.act(strings.TrimSpace(p.asked))
	default:
		for words, answer := range p.types {
			if strings.Contains(asked, words) {
				p.answer(answer)
			}
		}
	}
	return len(text), nil
}

// atController stands before what a person is asked to do.
const atController = "At the controller: "

func (p *benchPerson) act(text string) {
	i := slices.IndexFunc(bench.Acts(), func(a conform.Act) bool { return strings.HasPrefix(text, a.Text) })
	if i < 0 {
		p.t.Errorf("an act that nobody knows: %s", text)
		return
	}
	a := bench.Acts()[i]
	if !strings.Contains(text, "Caution: "+a.Caution) || a.Caution == "" {
		p.t.Errorf("the act %s is asked for without its caution: %s", a.Name, text)
	}
	p.acts = append(p.acts, a.Name)
	go func() { // the program waits for what is typed, and not for whoever reads it
		answer, other := "done", false
		if p.instead != nil {
			if typed, is := p.instead(a.Name); is {
				answer, other = typed, true
			}
		}
		if !other {
			p.rig.do(a.Name, text)
		}
		if answer != "" {
			_, _ = p.in.Write([]byte(answer + "\n"))
		}
	}()
}

func (p *benchPerson) answer(text string) { go func() { _, _ = p.in.Write([]byte(text + "\n")) }() }

// atBench runs a plan at a bench with a person.
func atBench(t *testing.T, rig *benchRig, plan string, change func(*program, *benchPerson), args ...string) (code int, r *acceptance.Report, person *benchPerson, journal string) {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, "plan.csv")
	if err := os.WriteFile(path, []byte(plan), 0o600); err != nil {
		t.Fatal(err)
	}
	in, type_ := io.Pipe()
	defer func() { _ = in.Close() }()
	person = &benchPerson{t: t, rig: rig, in: type_, types: map[string]string{
		"Type the name of the line": "north", "Type locked out": "locked out", "Type the name of the person": "Kim Berg",
	}}
	var out bytes.Buffer
	p := &program{env: []string{"TZ=UTC"}, stdin: in, stdout: &out, stderr: person}
	if change != nil {
		change(p, person)
	}
	code = p.run(append([]string{"accept", path, "--bench", "--by", "Kim Berg", "--config", demoOnDisk(t), "--set", "lines.0.controller.address=" + rig.addr,
		"--journal", filepath.Join(dir, "kept"), "--html", filepath.Join(dir, "north.html"), "--json"}, args...))
	if out.Len() > 0 {
		var err error
		if r, err = acceptance.ReadReport("report", &out); err != nil {
			t.Fatal(err)
		}
	}
	return code, r, person, filepath.Join(dir, "kept", "north.db")
}

// outcomes are what became of the steps and checks of a report, in a line each.
func outcomes(r *acceptance.Report) (all []string) {
	for i := range r.Results {
		s := &r.Results[i]
		all = append(all, strings.TrimSpace(fmt.Sprintf("%s: %s %s", s.Step, s.Outcome, strings.Join(s.Why, "; "))))
	}
	for _, c := range r.Checks {
		all = append(all, strings.TrimSpace(fmt.Sprintf("%s: %s %s", c.What, c.Outcome, strings.Join(c.Why, "; "))))
	}
	return all
}

// armings are what the journal tells of the right to write, in order.
func armings(t *testing.T, journal string) (all []string) {
	t.Helper()
	code, out, errs := call("journal", "list", journal)
	if code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	for line := range strings.Lines(out) {
		if strings.Contains(line, " MODE ") {
			all = append(all, line)
		}
	}
	return all
}

// A good plan passes at a bench, and the line is in shadow before and after it.
func TestAcceptAtBench(t *testing.T) {
	t.Parallel()
	code, plan, errs := call("accept", "--draft", "--bench")
	if code != exitDone || strings.Contains(plan, "@") {
		t.Fatalf("exit code %d: %s%s", code, errs, plan)
	}
	plan = only(t, plan, "normal-1", "diameter-range-most-diameter-outside", "permissive-2-off", "operator-hold")
	rig := newBenchRig(t)
	code, r, person, journal := atBench(t, rig, plan, nil)
	if code != exitDone || r == nil || r.Passed != 4 {
		t.Fatalf("exit code %d: %s", code, person.buf.String())
	}
	want := []string{"leave-maintenance", "bring", "finish", "bring", "remove", "bring", "remove", "bring", "remove", "permissive-on", "maintenance"}
	if !slices.Equal(person.acts, want) {
		t.Errorf("asked for %v, want %v", person.acts, want)
	}
	if r.Seed != nil || !strings.Contains(r.Against, "a bench: the controller at "+rig.addr) || !strings.Contains(strings.Join(r.Otherwise, "\n"), "Kim Berg") {
		t.Errorf("the report does not say that it was a bench: %s; %v", r.Against, r.Otherwise)
	}
	if modes := armings(t, journal); len(modes) < 2 || !strings.Contains(modes[0], "writing on by Kim Berg") || !strings.Contains(modes[len(modes)-1], "writing off") {
		t.Errorf("armed and disarmed: %v", modes)
	}
	page, err := os.ReadFile(filepath.Join(filepath.Dir(filepath.Dir(journal)), "north.html"))
	if err != nil {
		t.Fatal(err)
	}
	wants(t, string(page), `a bench: the controller at`, `nobody judged one`, `no station works at a bench`)
}

// What does not come out as the plan expects fails by name; what only the simulator plays
// is an open point.
func TestAcceptAtBenchFindsDefects(t *testing.T) {
	t.Parallel()
	plan := only(t, drafted(t), "normal-1", "diameter-range-most-diameter-outside", "fault-link-cut-at-run")
	wrong := strings.Replace(plan, "hold,diameter-range", "hold,scan-stale", 1)
	rig := newBenchRig(t)
	code, r, person, _ := atBench(t, rig, wrong, nil)
	if code != exitDifferences || r == nil {
		t.Fatalf("exit code %d: %s", code, person.buf.String())
	}
	told := strings.Join(outcomes(r), "\n")
	wants(t, told, `^normal-1: passed$`, `^diameter-range-most-diameter-outside: failed .*want hold scan-stale first`, `^fault-link-cut-at-run: not run only the simulator plays the fault link-cut@run$`)
	wants(t, strings.Join(r.Open, "\n"), `fault-link-cut-at-run not run`)
	wants(t, person.buf.String(), `failed: diameter-range-most-diameter-outside`)
}

// However a run ends, the line is disarmed: interrupted while a recipe is in force, or
// with another roll than the one that was asked for.
func TestAcceptAtBenchEndsDisarmed(t *testing.T) {
	t.Parallel()
	plan := only(t, drafted(t), "normal-1", "normal-2")
	t.Run("interrupted", func(t *testing.T) {
		t.Parallel()
		rig := newBenchRig(t)
		code, r, person, journal := atBench(t, rig, plan, func(p *program, person *benchPerson) {
			p.signals = make(chan os.Signal, 1)
			person.instead = func(act string) (string, bool) {
				if act == "finish" {
					p.signals <- syscall.SIGTERM
				}
				return "", act == "finish"
			}
		})
		if code != exitDifferences || r == nil || r.NotRun != 2 {
			t.Fatalf("exit code %d: %s", code, person.buf.String())
		}
		wants(t, strings.Join(outcomes(r), "\n"), `^the line was disarmed at the end: passed$`, `^gateway and line ran to the end of the plan: failed .*step normal-1`)
		if modes := armings(t, journal); !strings.Contains(modes[len(modes)-1], "writing off by Kim Berg") {
			t.Errorf("armed and disarmed: %v", modes)
		}
		wants(t, person.buf.String(), `Put the line back into maintenance`)
	})
	t.Run("nobody answers", func(t *testing.T) {
		t.Parallel()
		code, r, person, journal := atBench(t, newBenchRig(t), plan, func(_ *program, person *benchPerson) {
			person.instead = func(act string) (string, bool) { return "", act == "finish" }
		}, "--roll-time", "15s")
		if code != exitDifferences || r == nil || r.NotRun != 2 {
			t.Fatalf("exit code %d: %s", code, person.buf.String())
		}
		wants(t, strings.Join(outcomes(r), "\n"), `^normal-1: not run .*took longer than 15s`, `^the line was disarmed at the end: passed$`)
		if modes := armings(t, journal); !strings.Contains(modes[len(modes)-1], "writing off by Kim Berg") {
			t.Errorf("armed and disarmed: %v", modes)
		}
	})
	t.Run("another roll", func(t *testing.T) {
		t.Parallel()
		rig := newBenchRig(t)
		code, r, person, journal := atBench(t, rig, plan, func(_ *program, person *benchPerson) {
			person.instead = func(act string) (string, bool) {
				if act == "bring" {
					rig.bring(anyRoll)
				}
				return "done", act == "bring"
			}
		})
		if code != exitDifferences || r == nil || r.NotRun != 2 {
			t.Fatalf("exit code %d: %s", code, person.buf.String())
		}
		wants(t, strings.Join(outcomes(r), "\n"), `^normal-1: not run roll X-1 came, where roll .* was asked for$`, `^the line was disarmed at the end: passed$`)
		if modes := armings(t, journal); !strings.Contains(modes[len(modes)-1], "writing off by Kim Berg") {
			t.Errorf("armed and disarmed: %v", modes)
		}
	})
}

// A bench that is not admitted gets nothing written, and leaves no journal.
func TestAcceptAtBenchIsRefused(t *testing.T) {
	t.Parallel()
	plan := only(t, drafted(t), "normal-1")
	for _, c := range []struct {
		name   string
		change func(*benchRig)
		types  map[string]string
		why    string
	}{
		{"another line", nil, map[string]string{"Type the name of the line": "south"}, `the line is "north", and "south" was typed`},
		{"not locked out", nil, map[string]string{"Type locked out": "yes"}, "nobody answered that drives"},
		{"outputs connected", nil, map[string]string{"Type the name of the person": "somebody"}, `and "somebody" was typed; nothing was written`},
		{"a roll at the station", func(b *benchRig) { b.bring(anyRoll) }, nil, "want empty; take away whatever lies at the station"},
		{"no limits", func(b *benchRig) { b.silent = true }, nil, "the controller publishes no limits"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			rig := newBenchRig(t)
			if c.change != nil {
				c.change(rig)
			}
			code, r, person, journal := atBench(t, rig, plan, func(_ *program, person *benchPerson) {
				for words, answer := range c.types {
					person.types[words] = answer
				}
			})
			if code != exitFailed || r != nil || rig.writes.Load() != 0 || len(person.acts) != 0 {
				t.Errorf("exit code %d, %d writes, acts %v: %s", code, rig.writes.Load(), person.acts, person.buf.String())
			}
			wants(t, person.buf.String(), `^Caution: `, c.why)
			if _, err := os.Stat(journal); err == nil {
				t.Error("a journal was begun")
			}
		})
	}
}

// Where people do not leave maintenance, or the controller's limits are narrower than
// those of the configuration, the line is never armed and nothing is written.
func TestAcceptAtBenchStaysInShadow(t *testing.T) {
	t.Parallel()
	plan := only(t, drafted(t), "normal-1")
	for _, c := range []struct {
		name string
		code int
		skip string // act
		most int64  // feed length at the controller, 0.1 mm
		why  string
	}{
		{"maintenance is not left", exitFailed, "leave-maintenance", 700_000, "act leave-maintenance: not done"},
		{"narrower limits", exitDifferences, "", 6_000, "the line stays in shadow: its controller does not pass the check"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			rig := newBenchRigWith(t, func(config *controller.Config) {
				for i := range config.Limits {
					if l := &config.Limits[i]; l.Field == "feed_length" {
						l.Max = c.most
					}
				}
			})
			code, r, person, journal := atBench(t, rig, plan, func(_ *program, person *benchPerson) {
				person.instead = func(act string) (string, bool) { return "skip", act == c.skip }
			})
			if code != c.code || r != nil || rig.writes.Load() != 0 {
				t.Errorf("exit code %d, %d writes", code, rig.writes.Load())
			}
			wants(t, person.buf.String(), c.why)
			if want := []string{"leave-maintenance", "maintenance"}; !slices.Equal(person.acts, want) {
				t.Errorf("asked for %v, want %v", person.acts, want)
			}
			if modes := armings(t, journal); slices.ContainsFunc(modes, func(m string) bool { return strings.Contains(m, "writing on") }) {
				t.Errorf("it was armed: %v", modes)
			}
		})
	}
}

// A roll that nobody brings is a step that was not run, and no more than that.
func TestAcceptAtBenchSkipped(t *testing.T) {
	t.Parallel()
	first := true
	code, r, person, _ := atBench(t, newBenchRig(t), only(t, drafted(t), "normal-1", "normal-2"), func(_ *program, person *benchPerson) {
		person.instead = func(act string) (string, bool) {
			skip := act == "bring" && first
			first = first && !skip
			return "skip", skip
		}
	})
	if code != exitDifferences || r == nil {
		t.Fatalf("exit code %d: %s", code, person.buf.String())
	}
	wants(t, strings.Join(outcomes(r), "\n"), `^normal-1: not run nobody brought roll`, `^normal-2: passed$`, `^gateway and line ran to the end of the plan: passed$`)
}

// A program that acts is told the act and its roll, and acts on this machine alone.
func TestAcceptAtBenchProgramActs(t *testing.T) {
	t.Parallel()
	dir, plan := t.TempDir(), only(t, drafted(t), "normal-1")
	acts := filepath.Join(dir, "acts")
	if err := os.WriteFile(acts, []byte("#!/bin/sh\necho \"$@\" >> "+dir+"/told\n[ $2 != bring ] || exit 3\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	code, r, person, _ := atBench(t, newBenchRig(t), plan, nil, "--acts", "program:"+acts)
	if code != exitDifferences || r == nil || r.NotRun != 1 {
		t.Errorf("exit code %d: %s", code, person.buf.String())
	}
	told, err := os.ReadFile(filepath.Join(dir, "told"))
	if want := "act leave-maintenance\nact bring A-001\nact maintenance\n"; err != nil || string(told) != want {
		t.Errorf("%v: told %q, want %q", err, told, want)
	}
	code, r, person, _ = atBench(t, newBenchRig(t), plan, nil, "--acts", "program:"+acts, "--set", "lines.0.controller.address=192.0.2.10:502")
	if code != exitUsage || r != nil {
		t.Errorf("exit code %d", code)
	}
	wants(t, person.buf.String(), `a program acts for people at a controller on this machine alone`)
}
