package conform_test

import (
	"context"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway/conform"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link/memory"
	"lapgate/gateway/record"
	"lapgate/sim/controller"
)

const producing = 1

// stranger beats under a session of its own until the context ends.
func stranger(ctx context.Context, m *memory.Image, hello bool) {
	s := handshake.Session{Epoch: 5, Nonce: 9}
	if hello {
		w := make([]uint16, handshake.HelloWords)
		_ = (&handshake.Hello{Session: s, Boot: 1}).Encode(w)
		m.Store(handshake.HELLO, 0, w)
	}
	every := time.NewTicker(time.Second)
	defer every.Stop()
	for n := uint16(1); ; n++ {
		w := make([]uint16, handshake.HeartbeatWords)
		_ = (&handshake.Heartbeat{Count: n, Session: s}).Encode(w)
		m.Store(handshake.HEARTBEAT, 0, w)
		select {
		case <-every.C:
		case <-ctx.Done():
			return
		}
	}
}

// Nothing is written where a proof is refused, and why is said.
func TestRefused(t *testing.T) {
	for _, tc := range []struct {
		name   string
		mode   uint16
		change func(r *rig, s *conform.Settings, out *conform.Outside)
		want   string // empty where nothing is refused
	}{
		{"maintenance", maintenance, func(*rig, *conform.Settings, *conform.Outside) {}, ""},
		{"producing", producing, func(*rig, *conform.Settings, *conform.Outside) {}, "the unit mode is"},
		{"producing on this machine", producing, func(_ *rig, s *conform.Settings, _ *conform.Outside) { s.Loopback = true }, ""},
		{"live gateway", maintenance, func(r *rig, _ *conform.Settings, _ *conform.Outside) {
			r.beside.Go(func() { stranger(r.ctx, r.mem, true) })
			<-time.After(time.Second)
		}, "a gateway is alive"},
		{"foreign heartbeat", maintenance, func(r *rig, _ *conform.Settings, _ *conform.Outside) {
			r.beside.Go(func() { stranger(r.ctx, r.mem, false) })
		}, "heartbeat of another gateway moves"},
		{"other line", maintenance, func(_ *rig, _ *conform.Settings, out *conform.Outside) {
			out.Type = typed("nort", conform.LockedOut)
		}, `the line is "north", and "nort" was typed`},
		{"not locked out", maintenance, func(_ *rig, _ *conform.Settings, out *conform.Outside) { out.Type = typed("north", "yes") }, "locked out"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := newRig("", tc.mode)
			written := 0
			p := prove(t, r, func(s *conform.Settings, out *conform.Outside) {
				s.Only = []string{"hello-adopted"}
				tc.change(r, s, out)
				out.Dialer.(*memory.Dialer).Before = func(c memory.Call) memory.Fault {
					if c.Op == "write" {
						written++
					}
					return memory.Fault{}
				}
			})
			var refused *conform.RefusedError
			switch {
			case tc.want == "":
				if p.err != nil || p.Passed != 1 || written == 0 {
					t.Errorf("%v, %d writes", p.err, written)
				}
			case !errors.As(p.err, &refused) || !strings.Contains(refused.Text, tc.want) || p.Report != nil:
				t.Errorf("%v, want a refusal with %q", p.err, tc.want)
			case written != 0 || len(p.records) != 0:
				t.Errorf("%d writes and %d records although it was refused", written, len(p.records))
			}
		})
	}
}

// Whoever goes on by other means is admitted by the same questions, and nothing was
// written until then.
func TestAdmitWritesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		r := newRig("", maintenance)
		r.mem = memory.NewImage()
		r.beside.Go(func() { r.run(ctx) })
		<-time.After(scan)
		written := 0
		admit := func(answers ...string) (handshake.Request, error) {
			return conform.Admit(ctx, settings(r), conform.Outside{Type: typed(answers...), Dialer: &memory.Dialer{Image: r.mem, Before: func(c memory.Call) memory.Fault {
				if c.Op == "write" {
					written++
				}
				return memory.Fault{}
			}}})
		}
		seen, err := admit("north", conform.LockedOut)
		if err != nil || seen.UnitMode != maintenance || seen.Phase != handshake.Empty || written != 0 {
			t.Errorf("%v, mode %d, phase %s, %d writes", err, seen.UnitMode, seen.Phase, written)
		}
		var refused *conform.RefusedError
		if _, err := admit("north", "locked"); !errors.As(err, &refused) || written != 0 {
			t.Errorf("%v, %d writes", err, written)
		}
		cancel()
		r.beside.Wait()
	})
}

// Every frame stands in the journal before it is written, and none is written that
// the journal refused.
func TestJournalComesFirst(t *testing.T) {
	var newest record.Record
	frames := 0
	p := prove(t, newRig("", maintenance), func(s *conform.Settings, out *conform.Outside) {
		s.Only = []string{"hello-damaged", "check-hold", "ack"}
		out.Journal = func(_ context.Context, r record.Record) error { newest = r; return nil }
		out.Dialer.(*memory.Dialer).Before = func(c memory.Call) memory.Fault {
			if f, ok := newest.(record.Frame); c.Op == "write" {
				if frames++; !ok || f.Block != c.Block.String() {
					t.Errorf("%s is written after the record %+v", c.Block, newest)
				}
				newest = nil
			}
			return memory.Fault{}
		}
	})
	if p.err != nil || p.Passed != 3 || frames == 0 {
		t.Fatalf("%v, %+v, %d frames", p.err, p.Report, frames)
	}
	full := errors.New("the disk is full")
	written := 0
	p = prove(t, newRig("", maintenance), func(_ *conform.Settings, out *conform.Outside) {
		out.Journal = func(_ context.Context, r record.Record) error {
			if _, ok := r.(record.Frame); ok {
				return full
			}
			return nil
		}
		out.Dialer.(*memory.Dialer).Before = func(c memory.Call) memory.Fault {
			if c.Op == "write" {
				written++
			}
			return memory.Fault{}
		}
	})
	if !errors.Is(p.err, full) || written != 0 || p.Report == nil || p.NotRun != len(conform.Cases())-p.Passed || p.Failed != 0 {
		t.Errorf("%v, %d written, %+v", p.err, written, p.Report)
	}
}

// What nobody does, sees or agrees to is not run, and never passes.
func TestNotRunIsNotPassed(t *testing.T) {
	nobody := func(s *conform.Settings, out *conform.Outside) {
		s.AcceptRecipes = false
		out.Act = func(context.Context, conform.Act) error { return conform.ErrNotDone }
		out.See = func(context.Context, conform.Sight) (bool, error) { return false, conform.ErrNotDone }
	}
	r := newRig("", maintenance)
	r.mu.Lock()
	r.scan() // the first scan is over
	r.place()
	r.mu.Unlock()
	p := prove(t, r, nobody)
	if p.err != nil || p.Failed != 0 || p.Passed < 20 || p.NotRun < 40 || p.Passed+p.NotRun != len(conform.Cases()) {
		t.Errorf("%v: %d passed, %d failed, %d not run", p.err, p.Passed, p.Failed, p.NotRun)
	}
	for _, c := range conform.Cases() {
		if got := p.of(t, c.Name); c.Recipe && (got.Outcome != conform.NotRun || !strings.Contains(got.Why, "--accept-recipes")) {
			t.Errorf("%s: %s, %s", c.Name, got.Outcome, got.Why)
		}
	}
	p = prove(t, newRig("", maintenance), func(s *conform.Settings, out *conform.Outside) {
		s.Only = []string{"wrapped"}
		out.Type = typed("north", conform.LockedOut, "no")
	})
	if got := p.of(t, "wrapped"); got.Outcome != conform.NotRun || !strings.Contains(got.Why, "nobody agreed") {
		t.Errorf("%+v", got)
	}
}

// A restart that takes the link with it is waited for.
func TestRestartTakesTheLink(t *testing.T) {
	r := newRig("", maintenance)
	p := prove(t, r, func(s *conform.Settings, out *conform.Outside) {
		s.Only = []string{"restart-await", "restart-run"}
		var down atomic.Int64 // until then the link is cut, ns since 1970
		out.Act = func(ctx context.Context, a conform.Act) error {
			if err := r.act(ctx, a); err != nil || a.Name != "power" {
				return err
			}
			down.Store(time.Now().Add(4 * time.Second).UnixNano())
			<-time.After(5 * time.Second)
			return nil
		}
		out.Dialer.(*memory.Dialer).Before = func(memory.Call) memory.Fault {
			if time.Now().UnixNano() < down.Load() {
				return memory.Fault{Kind: memory.Cut}
			}
			return memory.Fault{}
		}
	})
	if p.err != nil || p.Passed != 2 {
		t.Errorf("%v: %+v", p.err, p.Report)
	}
}

// Holds are all that the cases offer which do not ask for a recipe.
func TestHoldsUnlessARecipeIsNeeded(t *testing.T) {
	for _, c := range conform.Cases() {
		if c.Recipe {
			continue
		}
		p := prove(t, newRig("", maintenance), func(s *conform.Settings, _ *conform.Outside) { s.Only, s.AcceptRecipes = []string{c.Name}, false })
		for _, r := range p.records {
			var payload handshake.Payload
			if f, ok := r.(record.Frame); ok && f.Block == handshake.PAYLOAD.String() && handshake.DecodePayload(f.Words, &payload) == nil && payload.Kind != handshake.KindHold {
				t.Fatalf("%s offers a payload of kind %s", c.Name, payload.Kind)
			}
		}
	}
}

// The page and the list say what was proved, with the words of a failure.
func TestReport(t *testing.T) {
	p := prove(t, newRig(controller.RuleJudgeTag, maintenance), func(s *conform.Settings, _ *conform.Outside) {
		s.Only = []string{"check-roll", "check-late", "hello-step"}
	})
	page := p.Page(time.UTC)
	for _, want := range []string{
		"check-roll: failed", "a payload with another roll_tag: held, want rejected: wrong roll data (12)", "written PAYLOAD 5041 0002", "read REQ 5251",
		"signature", "Nip points", "The epoch floor moved from 0 to", "will show a gap",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if p.Failed != 1 || p.Passed != 2 || p.FloorAfter < 1_048_576 {
		t.Errorf("%+v", p.Report)
	}
}

// Every rule that a program can break has a mutant, and every case that a broken
// rule can fail is there for one.
func TestMutantsAreComplete(t *testing.T) {
	file, err := parser.ParseFile(token.NewFileSet(), "../../sim/controller/broken.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	rules := 0
	ast.Inspect(file, func(n ast.Node) bool {
		if v, ok := n.(*ast.ValueSpec); ok {
			rules += len(v.Names)
		}
		return true
	})
	seen, named := map[controller.Rule]bool{}, map[string]bool{}
	for _, m := range mutants {
		if seen[m.rule] {
			t.Errorf("%q is there twice", m.rule)
		}
		seen[m.rule], named[m.by] = true, true
	}
	if len(seen) != rules {
		t.Errorf("%d rules can be broken, %d mutants", rules, len(seen))
	}
	// An epoch above the last is too far above every floor, so that no single rule
	// lets it in.
	redundant := []string{"hello-bound"}
	for _, c := range conform.Cases() {
		if !named[c.Name] && !slices.Contains(redundant, c.Name) {
			t.Errorf("no broken rule is named by %s", c.Name)
		}
	}
}
