package cycle

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/txtar"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

var update = flag.Bool("update", false, "rewrite the traces in testdata")

// TestTraces runs each script of testdata against the stand-in and compares
// what the machine did, event by event, with the trace beside the script.
// Whatever the script, the guarantees S1 to S10 are held as well.
func TestTraces(t *testing.T) {
	files, err := filepath.Glob("testdata/*.txt")
	if err != nil || len(files) < 25 {
		t.Fatalf("%d traces, %v; want at least 25", len(files), err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txt"), func(t *testing.T) {
			a, err := txtar.ParseFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if len(a.Files) == 0 || a.Files[0].Name != "script" {
				t.Fatalf("%s: the first part must be -- script --", file)
			}
			got := runScript(t, string(a.Files[0].Data))
			if *update {
				a.Files = append(a.Files[:1], txtar.File{Name: "trace", Data: []byte(got)})
				if err := os.WriteFile(file, txtar.Format(a), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			if len(a.Files) != 2 || a.Files[1].Name != "trace" {
				t.Fatalf("%s: the second part must be -- trace --; run with -update", file)
			}
			if want := string(a.Files[1].Data); got != want {
				t.Errorf("%s: %s\nrun with -update and read the difference", file, firstLine(got, want))
			}
		})
	}
}

func firstLine(got, want string) string {
	g, w := strings.Split(got, "\n"), strings.Split(want, "\n")
	for i := range min(len(g), len(w)) {
		if g[i] != w[i] {
			return fmt.Sprintf("line %d\n got %q\nwant %q", i+1, g[i], w[i])
		}
	}
	return fmt.Sprintf("%d lines, want %d", len(g), len(w))
}

// script is a scripted run and its trace.
type script struct {
	w   *world
	out strings.Builder
}

func runScript(t *testing.T, text string) string {
	s := &script{w: newWorld(t)}
	s.w.wanted = false
	s.w.onEvent = s.trace
	for n, line := range strings.Split(text, "\n") {
		line, _, _ = strings.Cut(line, "#")
		words := strings.Fields(line)
		if len(words) == 0 {
			continue
		}
		fmt.Fprintf(&s.out, "* %s\n", strings.Join(words, " "))
		if err := s.run(words[0], words[1:]); err != nil {
			t.Fatalf("script line %d, %q: %v", n+1, line, err)
		}
	}
	fmt.Fprintf(&s.out, "= %s\n", s.state())
	return s.out.String()
}

func (s *script) state() string {
	st := s.w.m.Status()
	out := fmt.Sprintf("%s journaled %d acknowledged %d covered %d", st.State, st.Journaled, s.w.plc.acked, st.Covered)
	if st.Open != nil {
		out += " open " + st.Open.String()
	}
	if len(st.Conditions) > 0 {
		out += " conditions " + strings.Join(st.Conditions, ",")
	}
	return out
}

func number(args []string, i int, otherwise int) int {
	if i >= len(args) {
		return otherwise
	}
	n, err := strconv.ParseInt(args[i], 0, 64)
	if err != nil {
		return otherwise
	}
	return int(n)
}

// must turns a refused operation of the stand-in into an error of the script.
func must(ok bool) error {
	if !ok {
		return fmt.Errorf("the stand-in is not in the phase for it")
	}
	return nil
}

func (s *script) run(cmd string, args []string) error {
	w, p := s.w, s.w.plc
	switch cmd {
	case "connect":
		w.wanted, w.linked = true, true
		w.feed(LinkUp{})
	case "disconnect":
		w.wanted, w.linked = false, false
		w.feed(LinkDown{"cable out"})
	case "poll":
		for range number(args, 0, 1) {
			w.poll()
		}
	case "wait":
		d, err := time.ParseDuration(args[0])
		if err != nil {
			return err
		}
		w.pass(d)
	case "offer": // until the offer is committed and judged, in few lines
		for range 6 {
			w.poll()
		}
	case "arrive":
		return must(p.arrive(uint32(number(args, 0, 12504)), uint32(number(args, 1, 16020)), fmt.Sprintf("R-%04d", p.roll+1)))
	case "tag": // of the roll at the station, its bytes as in a Go string
		tag, err := strconv.Unquote(`"` + args[0] + `"`)
		p.tag = tag
		return err
	case "rescan":
		return must(p.rescan(uint32(number(args, 0, 12480))))
	case "finish":
		return must(p.finish())
	case "manual":
		return must(p.manual())
	case "remove":
		return must(p.remove())
	case "retry":
		return must(p.retry())
	case "again": // a program that asks again for the roll it has just wrapped
		p.phase = plcEmpty
		p.request()
	case "rolls": // wrapped by hand, nobody looking
		for range number(args, 0, 1) {
			if err := must(p.arrive(12504, 16020, "hand") && p.manual() && p.finish()); err != nil {
				return err
			}
		}
	case "claim": // the roll was wrapped with the payload that stands there, says the controller
		p.kept = slices.Clone(p.payload)
	case "skip": // roll numbers that get no outcome
		p.roll += uint32(number(args, 0, 1))
	case "restart":
		p.restart(slices.Contains(args, "cleared"), !slices.Contains(args, "changed"))
	case "forget":
		w.ghost.memoryLost()
		p.lose(uint32(number(args, 0, 217_000_000)))
	case "clear": // the gateway-owned registers
		p.clearArea()
	case "acknowledge":
		p.acknowledge()
	case "stop":
		p.stopped = true
	case "start":
		p.restart(false, true)
	case "set":
		return s.set(args[0], number(args, 1, 0))
	case "fault":
		return s.fault(args[0], args[1], number(args, 2, 1))
	case "crash":
		switch {
		case len(args) == 0:
			w.crash()
		case args[0] == "after":
			w.crashAfter = strings.Join(args[1:], " ")
		case args[0] == "before":
			w.crashBefore = strings.Join(args[1:], " ")
		}
	case "backup": // the process starts on a journal without its newest records
		w.log = w.log[:len(w.log)-number(args, 0, 1)]
		w.dead = true
		w.crash()
	case "journal-fails":
		w.failKind = record.Kind(args[0])
	case "arm":
		w.feed(Arm{On: true, By: "kim", Reason: "checked"})
		w.conf.Armed = true
	case "disarm":
		w.feed(Arm{On: false, By: "kim", Reason: "work on the line"})
		w.conf.Armed = false
	case "hold-all":
		w.feed(HoldAll{On: args[0] == "on", By: "ola", Reason: "wrong paper hung"})
	case "hang": // slot, width in mm or what it is, paper, act that it corrects
		e := HangWrapper{Slot: number(args, 0, 0), State: record.Hangs, Width: float64(number(args, 1, 0)) / 1000, Corrects: uint32(number(args, 3, 0)), By: "kim"}
		if e.Width == 0 {
			e.State = record.HangState(strings.ReplaceAll(args[1], "-", " "))
		} else {
			e.Paper = args[2]
		}
		w.feed(e)
	case "stock": // material, size in mm, how many
		w.feed(CountHeads{Material: args[0], Diameter: float64(number(args, 1, 0)) / 1000, Count: uint32(number(args, 2, 0)), By: "kim"})
	case "station": // its key, whether by hand, until how long after now
		e := SetStation{Station: args[0], ByHand: args[1] == "manual", By: "kim", Reason: "sensor"}
		if len(args) > 2 {
			d, err := time.ParseDuration(args[2])
			if err != nil {
				return err
			}
			e.Until = w.wall().Add(d)
		}
		w.feed(e)
	case "confirm":
		w.feed(ConfirmFinding{Finding: recipe.Code(args[0]), By: "kim"})
	case "override":
		e := OverrideRoll{Roll: p.roll, By: "kim", Operator: 17, Reason: 3, Text: "flat spot looked at", Changes: map[string]float64{}}
		for _, c := range args {
			name, value, _ := strings.Cut(c, "=")
			v, err := strconv.ParseFloat(value, 64)
			if err != nil {
				return err
			}
			e.Changes[name] = v
		}
		w.feed(e)
	case "configure":
		line := testLine()
		line.Materials.Specs[0].Layers = float64(number(args, 0, 4))
		if mm := number(args, 1, 0); mm != 0 { // of slot 2
			line.Stand.Slots = slices.Clone(line.Stand.Slots)
			line.Stand.Slots[1].Width = float64(mm) / 1000
		}
		w.feed(Configure{Line: line, Record: record.Config{Hash: 0xC0FFEE00, By: "kim", Changes: []record.ConfigChange{{Key: "materials.specs[0].layers", Old: "3", New: "4"}}}})
	case "pair":
		w.conf.Pair = true
		w.boot()
	case "lease":
		e := Lease{Held: args[0] == "held", Number: uint32(number(args, 1, 0))}
		if args[0] == "silent" { // the rest stays as it was
			e = w.m.lease
			e.Silent = true
		}
		w.feed(e)
	case "stored": // the store of the pair has the outcomes up to here, and those of the other machine
		e := Stored{UpTo: uint32(number(args, 0, 0)), Losses: w.m.Past().Losses}
		if other := number(args, 1, 0); other > 0 {
			e.Other = &OfOther{Head: record.JournalHead{Machine: "other", Journal: "00", Seq: uint64(10 * other), Hash: "ff"}, UpTo: uint32(other), Boot: w.m.Past().Boot}
		}
		w.feed(e)
	case "other-gateway": // its HELLO, as words
		h := p.hello
		h[0], h[1] = 0x4845, 2
		setLong(h, 2, p.floor+1)
		setLong(h, 4, 0xBEEF)
		setLong(h, 6, p.boot)
		setLong(h, 8, sum(h[:8]))
		w.pass(50 * time.Millisecond)
	default:
		return fmt.Errorf("no such command")
	}
	return nil
}

func (s *script) set(name string, v int) error {
	w, p := s.w, s.w.plc
	switch name {
	case "permissives":
		p.perms = uint32(v)
	case "quality":
		p.quality = uint16(v)
	case "age":
		p.age = uint16(v)
	case "dimensions":
		p.dimsOK = v != 0
	case "diameter": // measured at the next request
		p.diameter = uint32(v)
	case "grade":
		p.grade = uint16(v)
	case "limit":
		p.limit = uint16(v)
	case "refuse":
		p.refuse = uint16(v)
	case "lag": // publications
		p.lag = v
	case "lag-phase": // by as many publications as the result
		p.lagPhase = v != 0
	case "no-verdict": // verdict 0 stands first, for one publication; 2: it stays
		p.noVerdict, p.noVerdictStays = v != 0, v == 2
	case "not-ready": // slots, slot 1 the lowest bit
		p.notReady = uint16(v)
	case "slot": // that the operator confirmed
		p.confirmed = uint16(v)
	case "overhang": // measured of each wrap, mm
		p.overhang = uint16(v) * 10
	case "used": // wrapper of each wrap by the encoder, m
		p.used = uint32(v) * 10000
	case "outer-1", "outer-2", "outer-3": // of the wrapper roll in a slot, mm
		p.outers[name[len(name)-1]-'1'] = uint16(v)
	case "heads-counted":
		w.conf.Line.Heads.Counted = v != 0
		w.boot()
	case "stand": // how it is worked
		w.conf.Line.Equipment.Stand = recipe.Mode(v)
		w.boot()
	case "scale": // whether the line weighs
		w.conf.Line.Equipment.Scale = recipe.Mode(v)
		w.boot()
	case "count": // policy COUNT: rolls enter a full ring
		p.policyCount = v != 0
	case "offer-limit":
		w.m.offerLimit = uint16(v)
	case "armed":
		w.conf.Armed = v != 0
		w.boot()
	case "ring": // register 30 of an entry, counted wrong
		p.ring[v%64][30] ^= 1
	case "boot":
		p.boot = uint32(v)
	case "floor":
		p.floor = uint32(v)
	case "roll": // counted wrong
		p.roll = uint32(v)
	case "produced": // a controller with a past
		p.produced, p.acked, p.roll = uint32(v), uint32(v), uint32(v)
		s.w.ghost.outcomes = make([][40]uint16, v)
		s.w.ghost.acked = uint32(v)
	default:
		return fmt.Errorf("no such value")
	}
	return nil
}

func (s *script) fault(kind, block string, n int) error {
	f := &s.w.faults
	m, ok := map[string]map[string]int{
		"lose": f.lose, "late": f.late, "swallow": f.swallow, "refuse": f.refuse, "twice": f.twice,
		"tear-write": f.tearWrite, "garble": f.garble, "tear-read": f.tearRead,
		"slow": f.slow, "overtake": f.overtake, "lie": f.lie,
	}[kind]
	if !ok {
		return fmt.Errorf("no such fault")
	}
	m[block] = n
	return nil
}

// trace prints an event with its actions. An event of which nothing comes but
// the next read or a heartbeat is left out.
func (s *script) trace(ev Event, actions []Action) {
	if quiet(actions) {
		return
	}
	if _, ok := ev.(Tick); !ok || len(actions) > 1 {
		fmt.Fprintf(&s.out, "%6.2f  %s\n", s.w.mono.Seconds(), eventText(ev))
	} else {
		fmt.Fprintf(&s.out, "%6.2f  tick\n", s.w.mono.Seconds())
	}
	for _, a := range actions {
		fmt.Fprintf(&s.out, "          %s\n", actionText(a))
	}
}

func quiet(actions []Action) bool {
	for _, a := range actions {
		switch a := a.(type) {
		case FetchView:
		case Send:
			if a.Block != handshake.HEARTBEAT {
				return false
			}
		default:
			return false
		}
	}
	return true
}
