package gateway_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/configs"
	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/control"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/sim/controller"
)

// TestReloadAsks wraps a shift of which one roll is held, and reads again what would
// have decided it otherwise. One hold that would go is asked for, and so is more than
// one roll in a hundred that would be held; nothing changes before a person agrees to
// exactly that, and nobody is asked by a signal.
func TestReloadAsks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		rolls := []controller.Measurement{fitting(0), fitting(1), misfit()}
		for i := range 9 {
			rolls = append(rolls, fitting(i+2))
		}
		b := newBench(rolls...)
		s := newShop(t, b, nil)
		file := filepath.Join(s.snapshot.Journal.Directory, "mill.yaml")
		write := func(changes ...string) {
			t.Helper()
			text := strings.Replace(string(configs.Demo()), "directory: journal", "directory: "+s.snapshot.Journal.Directory, 1)
			for i := 0; i < len(changes); i += 2 {
				if !strings.Contains(text, changes[i]) {
					t.Fatalf("no %q", changes[i])
				}
				text = strings.Replace(text, changes[i], changes[i+1], 1)
			}
			if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		write()
		var err error
		if s.snapshot, err = config.Load(config.Source{Path: file}); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go b.run(ctx)
		g, stop := s.start(s.options())
		o := &gateway.Operator{Gateway: g, Source: config.Source{Path: file}}
		until(t, 20*time.Minute, "the shift", func() bool { return s.count(record.KindOutcome) >= 8 })
		give := func(r control.Request) control.Reply {
			r.Command, r.By, r.Caller = control.Reload, "kim", control.Daemon()
			return o.Handle(t.Context(), r)
		}
		before := g.Config().Hash

		// Another remark, another unit of speed: nothing that decides.
		write("layers: 4", "layers: 5")
		if got := give(control.Request{}); got.Outcome != control.Done {
			t.Errorf("what decides no roll otherwise: %+v", got)
		}
		inForce := g.Config().Hash
		if inForce == before {
			t.Error("nothing came into force")
		}

		// A slot that fits the roll that was held.
		wide := []string{"width: 42 in", "width: 55 in"}
		write(wide...)
		asked := give(control.Request{})
		if asked.Outcome != control.Asked || asked.Question == nil || g.Config().Hash != inForce {
			t.Fatalf("a hold that would go: %+v", asked)
		}
		text := strings.Join(asked.Question.Text, "\n")
		if !strings.Contains(text, "line north: roll 3 MISFIT was to be held (") || strings.Count(text, "and would go") != 1 {
			t.Errorf("asked is %s", text)
		}
		if got := o.Reload(t.Context(), &control.Request{Caller: control.Daemon()}, false); got.Outcome != control.Refused || !strings.Contains(got.Error, "MISFIT") {
			t.Errorf("by a signal: %+v", got)
		}
		if c := g.Config(); c.Hash != inForce || c.Refused == nil {
			t.Errorf("after a signal: %+v", c)
		}
		// The answer is for what was shown, and for no other text.
		write("width: 42 in", "width: 55.5 in")
		if got := give(control.Request{Answer: asked.Question.Answer}); got.Outcome != control.Asked || g.Config().Hash != inForce {
			t.Errorf("the answer to another question: %+v", got)
		}
		write(wide...)
		if got := give(control.Request{Answer: asked.Question.Answer}); got.Outcome != control.Done || g.Config().Hash == inForce {
			t.Errorf("agreed: %+v", got)
		}

		// Back again: one roll of a dozen would be held newly, which is asked for too.
		back := give(control.Request{Previous: true})
		if back.Outcome != control.Asked || !strings.Contains(strings.Join(back.Question.Text, "\n"), "would be held: rolls 3 (") {
			t.Fatalf("the configuration before: %+v", back)
		}
		if got := give(control.Request{Previous: true, Answer: back.Question.Answer}); got.Outcome != control.Done || g.Config().Hash == before ||
			!strings.Contains(strings.Join(got.Text, "\n"), "not what the file says now") {
			t.Errorf("back: %+v", got)
		}
		if got := g.Config().Hash; got != inForce {
			t.Errorf("%08x is in force, want %08x again", got, inForce)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
	})
}

// TestReloadLooksIntoArchives: a roll that was held is asked for too where its journal was
// closed off since.
func TestReloadLooksIntoArchives(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(fitting(0), misfit(), fitting(1), fitting(2))
		set := map[string]string{"journal.close_age": "2 min"}
		s := newShop(t, b, set)
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go b.run(ctx)
		g, stop := s.start(s.options())
		until(t, 10*time.Minute, "the rolls", func() bool { return s.count(record.KindOutcome) == 4 })
		<-time.After(5 * time.Minute) // of virtual time
		path := s.snapshot.Journal.Path("north")
		if archives, err := journal.Archives(path); err != nil || len(archives) == 0 {
			t.Fatalf("archives %v, %v", archives, err)
		}
		set["lines.0.stand.slots.1.width"] = "55 in"
		next := snapshot(t, s.snapshot.Journal.Directory, set)
		_, _, err := g.Reload(t.Context(), gateway.Change{Load: func() (*config.Snapshot, error) { return next, nil }, Who: gateway.Person{By: "kim"}})
		if ask := (*gateway.AskError)(nil); !errors.As(err, &ask) || !strings.Contains(err.Error(), "roll 2 MISFIT was to be held") {
			t.Errorf("got %v", err)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
	})
}

// TestNothingBefore: without a reload there is nothing to go back to.
func TestNothingBefore(t *testing.T) {
	g, err := gateway.New(gateway.Options{Snapshot: snapshot(t, t.TempDir(), nil), Dialer: noDialer, OpenJournal: noJournal})
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := g.Reload(t.Context(), gateway.Change{Load: g.Previous}); !errors.Is(err, gateway.ErrNoPrevious) {
		t.Errorf("got %v", err)
	}
}
