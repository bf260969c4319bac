package rehearse_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"

	"go.uber.org/zap"

	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/link"
	"lapgate/gateway/rehearse"
	"lapgate/recipe"
	"lapgate/sim"
	"lapgate/sim/controller"
)

// settled is what a mill measures in the end of what its configuration leaves open, by
// the end of the key. What is not here is found to be as its default says.
func settled() map[string]string {
	return map[string]string{
		"header.conductance": "320 W/m2K", "header.backing_effusivity": "520 J/m2K√s", "header.cylinder_bore": "70 mm",
		"centring.tolerance": "7 mm", "cradle.friction": "0.35", "wrap.tension": "40 N/m", "wrap.feed_slip": "0.001",
		"wrap.counts_per_metre": "1600", "cradle.roll_diameter": "350 mm", "cradle.spacing": "560 mm",
		"turning.diameter": "350 mm", "feed.diameter": "300 mm", "crimper.diameter": "320 mm", "turning.gear": "22",
		"papers.0.caliper": "0.28 mm", "papers.1.caliper": "0.25 mm", "bond_temperature": "112 °C",
	}
}

// mill is a configuration of testdata/mills once all that it leaves open is measured.
func mill(t *testing.T, file, journals string) *config.Snapshot {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	src := config.Source{Path: filepath.Base(file), Bytes: text, Set: map[string]string{"journal.directory": journals}}
	s, err := config.Load(src)
	if err != nil {
		t.Fatal(err)
	}
	known := settled()
	for _, o := range s.Lines[0].Recipe.Open {
		src.Set[o.Key] = o.StandsIn
		for end, value := range known {
			if strings.HasSuffix(o.Key, end) {
				src.Set[o.Key] = value
			}
		}
	}
	for i, h := range s.Materials.Stock {
		if h.Method == recipe.Glued {
			src.Set[fmt.Sprintf("head_materials.%d.bond_temperature", i)] = "80 °C"
		}
	}
	if s.Lines[0].Recipe.Equipment.Header.Present() {
		for _, key := range []string{"conductance", "backing_effusivity"} {
			src.Set["lines.0.header."+key+"_uncertainty"] = "8 %"
		}
	}
	if s, err = config.Load(src); err != nil {
		t.Fatal(err)
	}
	if len(s.Open) != 0 {
		t.Fatalf("still open: %v", s.Open)
	}
	return s
}

// Ten mills that have nothing of the demonstration's: each is simulated and served in
// virtual time, every roll is accounted for, and most of them are a go that the
// simulator judges good.
func TestMills(t *testing.T) {
	files, err := filepath.Glob("../../testdata/mills/*.yaml")
	if err != nil || len(files) != 10 {
		t.Fatalf("%d mills, %v", len(files), err)
	}
	ofDemo := map[string]bool{}
	demo := demo(t, nil)
	for _, g := range demo.Materials.Grades {
		ofDemo[g.Name] = true
	}
	for _, c := range demo.Materials.Cores {
		ofDemo[c.Name] = true
	}
	for _, p := range demo.Materials.Papers {
		ofDemo[p.Name] = true
	}
	ofDemo[demo.Lines[0].Recipe.Name] = true
	if testing.Short() {
		files = files[:2] // the others take the same ways with other numbers
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".yaml"), func(t *testing.T) {
			s := mill(t, file, t.TempDir())
			m := &s.Materials
			for _, name := range []string{m.Grades[0].Name, m.Cores[0].Name, m.Papers[0].Name, s.Lines[0].Recipe.Name} {
				if ofDemo[name] {
					t.Errorf("%s is a name of the demonstration", name)
				}
			}
			wrapMill(t, s, 12)
		})
	}
}

// wrapMill wraps a made-up shift of a mill, over memory and in virtual time.
func wrapMill(t *testing.T, s *config.Snapshot, rolls int) {
	t.Helper()
	line := &s.Lines[0]
	c, err := rehearse.Line(line)
	if err != nil {
		t.Fatal(err)
	}
	c.Modbus.Addr, c.Limit = "", longest
	c.Rolls = c.Shift(4, rolls)
	held := map[string]int{}
	var watch rehearse.Watch
	c.OnRoll = func(r sim.RollReport) {
		if offer, _ := watch.Offer(r.Tag); offer != nil && r.OutcomeNumber != controller.Wrapped {
			code, text := rehearse.HeldFor(offer)
			held[code]++
			t.Logf("%s, %.3f m × %.3f m: %s: %s", r.Tag, r.Diameter, r.Width, r.Outcome, text)
		}
	}
	var result *rehearse.Result
	synctest.Test(t, func(t *testing.T) {
		simulated, err := sim.New(c)
		if err != nil {
			t.Fatal(err)
		}
		g, err := gateway.New(gateway.Options{
			Arm:      &gateway.Act{By: "test", Reason: "a simulated controller"},
			Snapshot: s, Dialer: func(*config.Line) (link.Dialer, error) { return &cable{simulated.Image(), nil}, nil },
			OpenJournal: gateway.OpenJournals(s), Log: zap.NewNop(), Jitter: func() float64 { return 0.5 }, OnRecord: watch.Recorded,
		})
		if err != nil {
			t.Fatal(err)
		}
		ctx, stop := context.WithTimeout(t.Context(), longest)
		defer stop()
		report, gerr, lerr := rehearse.Wrap(ctx, g, simulated)
		if err := errors.Join(gerr, lerr); err != nil {
			t.Error(err)
		}
		if result, err = rehearse.Examine(t.Context(), s.Journal.Path(line.Recipe.Name), line.Recipe, report); err != nil {
			t.Fatal(err)
		}
	})
	for _, p := range result.Problems {
		t.Error(p)
	}
	for _, r := range result.Shift.Rolls {
		if r.Judgement != nil && !r.Judgement.Good {
			t.Errorf("%s: %s", r.Tag, r.Judgement.Text())
		}
	}
	wrapped := result.Shift.Count(controller.Wrapped)
	if least := rolls * 3 / 4; wrapped < least {
		t.Errorf("%d of %d rolls were wrapped with a recipe, want %d at least; the others were held for %v", wrapped, rolls, least, held)
	}
	t.Logf("%d of %d wrapped with a recipe, held %v", wrapped, rolls, held)
}

// Whatever a valid configuration is like, its lines can be simulated: those that the
// checks doubt, the reference, one with neither grades nor cores, and one whose stand
// has no slots.
func TestAnyValidLineCanBeSimulated(t *testing.T) {
	files, err := filepath.Glob("../../testdata/config/warn/*.yaml")
	if err != nil || len(files) < 10 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	sources := []config.Source{}
	for _, file := range append(files, "../../configs/reference.yaml") {
		sources = append(sources, config.Source{Path: file})
	}
	text, err := os.ReadFile("../../testdata/mills/alder.yaml")
	if err != nil {
		t.Fatal(err)
	}
	without := func(from, to string, more ...string) config.Source {
		before, rest, _ := strings.Cut(string(text), from)
		_, after, _ := strings.Cut(rest, to)
		out := before + to + after
		for i := 0; i < len(more); i += 2 {
			out = strings.ReplaceAll(out, more[i], more[i+1])
		}
		return config.Source{Path: "without " + strings.TrimSpace(from), Bytes: []byte(out)}
	}
	sources = append(sources, without("\ngrades:", "\n# How a kind"),
		without("      slots:", "    wrap:\n", "stand: auto", "stand: manual"))
	for _, src := range sources {
		s, err := config.Load(src)
		if err != nil {
			t.Fatal(err)
		}
		for i := range s.Lines {
			c, err := rehearse.Line(&s.Lines[i])
			if err != nil {
				t.Errorf("%s: %v", src.Path, err)
				continue
			}
			c.Modbus.Addr = ""
			c.Rolls = c.Shift(1, 12)
			line, err := sim.New(c)
			if err != nil {
				t.Errorf("%s: %v", src.Path, err)
				continue
			}
			if err := line.Close(); err != nil {
				t.Error(err)
			}
		}
	}
}
