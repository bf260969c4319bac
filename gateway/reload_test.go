package gateway_test

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	"lapgate/configs"
	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/cycle"
	"lapgate/gateway/link/memory"
	"lapgate/gateway/record"
	"lapgate/sim/controller"
)

// reload puts a configuration in force that was loaded before, and agrees to all that
// it would do.
func reload(g *gateway.Gateway, s *config.Snapshot, by string) error {
	c := gateway.Change{Load: func() (*config.Snapshot, error) { return s, nil }, Who: gateway.Person{By: by}}
	return agreed(g, c)
}

func agreed(g *gateway.Gateway, c gateway.Change) error {
	_, _, err := g.Reload(context.Background(), c)
	for ask := (*gateway.AskError)(nil); errors.As(err, &ask); {
		c.Agreed = ask.Answer
		_, _, err = g.Reload(context.Background(), c)
	}
	return err
}

// TestReloadWhileSaving saves the configuration 200 times in place and 200
// times by renaming (100 with -short), each in three steps with pauses, and reads it again from
// the first step on, while rolls are wrapped. Only whole configurations may
// come into force.
func TestReloadWhileSaving(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		saves := 200
		if testing.Short() {
			saves = 100
		}
		const (
			variants = 5
			quiet    = 100 * time.Millisecond
			pause    = 40 * time.Millisecond
		)
		dir := t.TempDir()
		set := map[string]string{"journal.directory": dir}
		var texts []string
		var hashes []uint32
		whole := map[uint32]bool{}
		for v := range variants {
			text := strings.Replace(string(configs.Demo()), "layers: 3", fmt.Sprintf("layers: %d", 3+v), 1)
			text = strings.Replace(text, "armed: false", "armed: true", 1)
			text = strings.Replace(text, "width: 16 in..90 in", fmt.Sprintf("width: 16 in..%d in", 80+v), 1)
			s, err := config.Load(config.Source{Path: "mill.yaml", Bytes: []byte(text), Set: set})
			if err != nil {
				t.Fatal(err)
			}
			texts, hashes = append(texts, text), append(hashes, s.Hash)
			whole[s.Hash] = true
		}
		if len(whole) != variants {
			t.Fatalf("%d variants have %d hashes", variants, len(whole))
		}
		// The danger is real: a file cut at one of the steps is a valid one.
		cut := strings.Index(texts[0], "    # The simulated controller loses")
		if s, err := config.Load(config.Source{Path: "mill.yaml", Bytes: []byte(texts[0][:max(cut, 0)]), Set: set}); err != nil || whole[s.Hash] {
			t.Fatalf("the cut file is no valid configuration of its own: %v", err)
		}

		rolls := make([]controller.Measurement, 40)
		for i := range rolls {
			rolls[i] = fitting(i)
		}
		b := newBench(rolls...)
		b.wrap = 2 * time.Second
		s := &shop{t: t, bench: b, dialer: &memory.Dialer{Image: b.image}}
		file := filepath.Join(dir, "mill.yaml")
		if err := os.WriteFile(file, []byte(texts[0]), 0o600); err != nil {
			t.Fatal(err)
		}
		// Equal bytes make equal snapshots, and with the race detector a load
		// takes long: each text is loaded once.
		loaded := map[string]*config.Snapshot{}
		load := func() (*config.Snapshot, error) {
			text, err := config.ReadSettled(t.Context(), file, quiet)
			if err != nil {
				return nil, err
			}
			if s := loaded[string(text)]; s != nil {
				return s, nil
			}
			s, err := config.Load(config.Source{Path: file, Bytes: text, Set: set})
			if err == nil {
				loaded[string(text)] = s
			}
			return s, err
		}
		var err error
		if s.snapshot, err = load(); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go b.run(ctx)
		g, stop := s.start(s.options())
		defer g.Stop()

		inSteps := func(f *os.File, text string) {
			for _, part := range []string{text[:cut/2], text[cut/2 : cut], text[cut:]} {
				if _, err := f.WriteString(part); err != nil {
					t.Error(err)
				}
				<-time.After(pause) // of virtual time
			}
			if err := f.Close(); err != nil {
				t.Error(err)
			}
		}
		for n := range 2 * saves {
			text, want := texts[n%variants], hashes[n%variants]
			cut = strings.Index(text, "    # The simulated controller loses")
			begun, saved := make(chan struct{}), make(chan struct{})
			go func() {
				defer close(saved)
				if n < saves {
					f, err := os.Create(file)
					if err != nil {
						t.Error(err)
					}
					close(begun)
					inSteps(f, text)
					return
				}
				f, err := os.Create(file + ".new")
				if err != nil {
					t.Error(err)
				}
				close(begun)
				inSteps(f, text)
				if err := os.Rename(file+".new", file); err != nil {
					t.Error(err)
				}
			}()
			<-begun
			err := agreed(g, gateway.Change{Load: load, Who: gateway.Person{By: "test"}})
			<-saved
			if err != nil {
				t.Fatalf("save %d: %v", n, err)
			}
			got := g.Config().Hash
			// Before a rename the file before it stands there, whole as well.
			if before := hashes[(n+variants-1)%variants]; got != want && (n < saves || got != before) {
				t.Fatalf("save %d: %08x is in force, want %08x", n, got, want)
			}
			if m := g.Lines()[0].Machine.Config; !whole[m] {
				t.Fatalf("save %d: the line works with %08x, which was never saved whole", n, m)
			}
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
		used := map[uint32]bool{}
		changes := 0
		for _, r := range s.verify() {
			switch r := r.Record.(type) {
			case record.Intent:
				used[r.ConfigHash] = true
			case record.Config:
				changes += len(r.Changes)
				if used[r.Hash] = true; len(r.Changes) > 0 && r.By != "test" {
					t.Errorf("the change is by %q", r.By)
				}
			}
		}
		for h := range used {
			if !whole[h] {
				t.Errorf("rolls were wrapped with %08x, which was never saved whole", h)
			}
		}
		if n := s.count(record.KindOutcome); n < 3 || len(used) < 2 || changes == 0 {
			t.Errorf("%d rolls were wrapped with %d configurations, %d changes in the journal: there was hardly a load", n, len(used), changes)
		}
	})
}

// TestReloadRefusals names each key that needs a restart, with both values, and
// changes nothing.
func TestReloadRefusals(t *testing.T) {
	dir := t.TempDir()
	base := snapshot(t, dir, nil)
	g, err := gateway.New(gateway.Options{Snapshot: base, Dialer: noDialer, OpenJournal: noJournal})
	if err != nil {
		t.Fatal(err)
	}
	for key, value := range map[string]string{
		"log.format": "json", "status.listen": "none", "journal.directory": "elsewhere", "control.socket": "none",
		"lines.0.controller.unit": "9", "lines.0.controller.times.poll": "200 ms",
		"lines.0.arming.away": "60 s", "lines.0.scanner.silence": "9 s", "lines.0.orders.poll": "9 s",
	} {
		next := snapshot(t, dir, map[string]string{key: value})
		err := reload(g, next, "test")
		old := ""
		for _, v := range base.Effective() {
			if v.Key == key {
				old = v.Value
			}
		}
		var now string
		for _, v := range next.Effective() {
			if v.Key == key {
				now = v.Value
			}
		}
		if want := fmt.Sprintf("%s: would change from %s to %s; restart the daemon", key, cmp.Or(old, "nothing"), now); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
		if g.Config().Hash != base.Hash {
			t.Fatalf("%s came into force", key)
		}
	}
	if err := reload(g, snapshot(t, dir, map[string]string{"lines.0.name": "west"}), "test"); err == nil ||
		!strings.Contains(err.Error(), "line west: is new") || !strings.Contains(err.Error(), "line north: is in force but not") {
		t.Errorf("another name: got %v", err)
	}
}

// TestReloadSetsTheLogLevel: the level of the log is that of the configuration in force, at
// once, and a configuration that is refused changes nothing.
func TestReloadSetsTheLogLevel(t *testing.T) {
	dir := t.TempDir()
	level := zap.NewAtomicLevel()
	g, err := gateway.New(gateway.Options{Snapshot: snapshot(t, dir, nil), Dialer: noDialer, OpenJournal: noJournal, LogLevel: &level})
	if err != nil {
		t.Fatal(err)
	}
	if err := reload(g, snapshot(t, dir, map[string]string{"log.level": "debug"}), "test"); err != nil || level.Level() != zap.DebugLevel {
		t.Errorf("level %s, %v", level, err)
	}
	if err := reload(g, snapshot(t, dir, map[string]string{"log.level": "error", "log.format": "json"}), "test"); err == nil || level.Level() != zap.DebugLevel {
		t.Errorf("level %s, %v", level, err)
	}
	s, err := g.Previous()
	if err != nil {
		t.Fatal(err)
	}
	if err := reload(g, s, "test"); err != nil || level.Level() != zap.InfoLevel {
		t.Errorf("level %s, %v", level, err)
	}
}

// TestEachReloadIsARecord: three reloads that no roll came between are three records,
// each with who made it and what it changed.
func TestEachReloadIsARecord(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(fitting(1))
		b.pause = 20 * time.Second
		s := newShop(t, b, nil)
		ctx, cancel := context.WithCancel(context.Background())
		go b.run(ctx)
		g, stop := s.start(s.options())
		<-time.After(3 * time.Second) // of virtual time
		dir := s.snapshot.Journal.Directory
		for i, set := range []map[string]string{
			{"lines.0.wrap.speed": "500 mm/s", "lines.0.crimp.engage": "2 s"},
			{"lines.0.wrap.speed": "550 mm/s", "lines.0.crimp.engage": "2 s"},
			{"lines.0.wrap.speed": "550 mm/s"},
		} {
			if err := reload(g, snapshot(t, dir, set), fmt.Sprintf("person %d", i)); err != nil {
				t.Fatal(err)
			}
		}
		until(t, time.Minute, "the roll", func() bool { return s.count(record.KindIntent) == 1 })
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
		var got []string
		for _, r := range s.verify() {
			if c, ok := r.Record.(record.Config); ok {
				text := fmt.Sprintf("%s, start %t:", c.By, c.Start)
				for _, x := range c.Changes {
					text += fmt.Sprintf(" %s at %s", x.Key, x.Where)
				}
				got = append(got, text)
			}
		}
		if want := []string{
			"lapgate, start true:",
			"person 0, start false: lines.0.wrap.speed at flag --set lines.0.crimp.engage at flag --set",
			"person 1, start false: lines.0.wrap.speed at flag --set",
			"person 2, start false: lines.0.crimp.engage at default",
		}; !slices.Equal(got, want) {
			t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
	})
}

// TestStartsAreRecorded: each start has one record of the configuration that it
// begins with. It tells what changed while nothing ran, by key with both values and
// where the new one stands, whose the file is, and what the file says; what is as
// before is not told twice.
func TestStartsAreRecorded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench()
		s := newShop(t, b, nil)
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go b.run(ctx)
		file := filepath.Join(s.snapshot.Journal.Directory, "mill.yaml")
		text := string(configs.Demo()) + "# password: none\n"
		set := map[string]string{"journal.directory": s.snapshot.Journal.Directory, "lines.0.controller.opcua.password": "env:OPCUA_PASSWORD"}
		write := func(from, to string) {
			if err := os.WriteFile(file, []byte(strings.Replace(text, from, to, 1)), 0o600); err != nil {
				t.Fatal(err)
			}
			var err error
			if s.snapshot, err = config.Load(config.Source{Path: file, Set: set}); err != nil {
				t.Fatal(err)
			}
		}
		for _, change := range [][2]string{{"", ""}, {"", ""}, {"layers: 3", "layers: 5"}, {"# password: none", "# nothing of env:OPCUA_PASSWORD"}} {
			write(change[0], change[1])
			_, stop := s.start(s.options())
			<-time.After(time.Second) // of virtual time
			if err := stop(); err != nil {
				t.Error(err)
			}
		}
		var got []record.Config
		for _, r := range s.verify() {
			if c, ok := r.Record.(record.Config); ok {
				got = append(got, c)
			}
		}
		if len(got) != 4 {
			t.Fatalf("%d records of four starts", len(got))
		}
		first, second, third, fourth := got[0], got[1], got[2], got[3]
		if first.Text != text || len(first.Values) < 300 || first.Changes != nil || first.File != file || first.User == "" {
			t.Errorf("the first start: %+v", first)
		}
		if second.Text != "" || second.Values != nil || second.Changes != nil || second.Hash != first.Hash || !second.Start {
			t.Errorf("a start as before: %+v", second)
		}
		before, _, _ := strings.Cut(text, "layers: 3")
		line := 1 + strings.Count(before, "\n")
		want := record.ConfigChange{Key: "specs.0.layers", Old: "3", New: "5", Where: fmt.Sprintf("%s:%d", file, line)}
		if len(third.Changes) != 1 || third.Changes[0] != want || !strings.HasPrefix(third.By, "owner of the file, ") || !strings.Contains(third.Text, "layers: 5") {
			t.Errorf("a start with an edited file: %+v by %s", third.Changes, third.By)
		}
		if len(fourth.Changes) != 1 || strings.Contains(fourth.Text, "OPCUA_PASSWORD") || !strings.Contains(fourth.Text, "# nothing of ***") {
			t.Errorf("a start with another comment: %+v", fourth.Changes)
		}
	})
}

// TestReloadBesideAnEndedLine changes the good line of two, of which the other
// ended at its journal.
func TestReloadBesideAnEndedLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		two := func(set map[string]string) *config.Snapshot { return withSouth(snapshot(t, dir, set)) }
		b := newBench(fitting(1), fitting(2))
		s := newShop(t, b, nil)
		s.snapshot = two(nil)
		o := s.options()
		southEnds(&o)
		ctx, cancel := context.WithCancel(context.Background())
		go b.run(ctx)
		g, stop := s.start(o)
		until(t, time.Minute, "an outcome", func() bool { return s.count(record.KindOutcome) == 1 })
		next := two(map[string]string{"lines.0.wrap.speed": "500 mm/s"})
		if err := reload(g, next, "test"); err != nil {
			t.Error(err)
		}
		until(t, time.Minute, "the second outcome", func() bool { return s.count(record.KindOutcome) == 2 })
		if lines := g.Lines(); lines[0].Machine.Config != next.Hash || lines[0].Ended || !lines[1].Ended {
			t.Errorf("got %+v", lines)
		}
		if err := g.Hold(t.Context(), "south", cycle.HoldAll{On: true}); err == nil || !strings.Contains(err.Error(), "line south: has ended") {
			t.Errorf("a command to the ended line: %v", err)
		}
		if err := stop(); err == nil {
			t.Error("the end of the bad line was not told")
		}
		cancel()
	})
}
