package rehearse_test

import (
	"errors"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/link"
	"lapgate/gateway/rehearse"
	"lapgate/recipe"
	"lapgate/recipe/rate"
	"lapgate/sim"
	"lapgate/sim/controller"
)

// rateRolls is how long a shift is of which the rate is measured.
var rateRolls = flag.Int("rate-rolls", 40, "rolls of each shift of TestRateAgainstSimulator; with -short it is 12, of the mixed orders alone")

// level is a level of automation, by the modes of its stations.
type level struct {
	name string
	mode func(station string) recipe.Mode
}

func levels() []level {
	all := func(m recipe.Mode) func(string) recipe.Mode { return func(string) recipe.Mode { return m } }
	return []level{
		{"all manual", all(recipe.Manual)},
		{"header automatic", func(station string) recipe.Mode {
			if station == "header" {
				return recipe.Auto
			}
			return recipe.Manual
		}},
		{"all automatic", all(recipe.Auto)},
	}
}

// orders is an order mix: what its rolls are like.
type orders struct {
	name            string
	slots           []int // from whose wrappers they are wrapped, by index
	least, greatest float64
	export          int // one in so many is wrapped as export, with a layer more; 0 for none
}

func mixes() []orders {
	return []orders{
		{"narrow", []int{0, 1}, 0.6, 0.9, 0},
		{"mixed", []int{0, 1, 2, 3, 4, 5}, 0.6, 1.4, 4},
		{"wide", []int{4, 5}, 1.0, 1.4, 0},
	}
}

// rolls makes up n rolls of the mix that get a recipe on a line.
func (o *orders) rolls(line *recipe.Line, n int) []sim.Roll {
	rng := rand.New(rand.NewPCG(15, uint64(len(o.slots))))
	var out []sim.Roll
	for i := range n {
		slot := line.Stand.Slots[o.slots[rng.IntN(len(o.slots))]]
		r := sim.Roll{
			Tag: fmt.Sprintf("R-%03d", i), Diameter: o.least + (o.greatest-o.least)*rng.Float64(),
			Width: slot.Width - 2*(0.115+0.024*rng.Float64()), Grade: 1 + 2*rng.IntN(2), Core: 1 + rng.IntN(2),
		}
		if o.export > 0 && i%o.export == 0 {
			r.Grade = 2
		}
		out = append(out, r)
	}
	return out
}

// pace lets the people at a simulated line take as long as the configuration says of a
// line whose stations are worked alike but for the header. The simulator knows no
// stations: each of its times is the sum of what is done there. Where a station takes
// no setpoints it turns the roll at the speeds of hands.
func pace(c *sim.Config, l *config.Line) {
	w, e := &l.Work, &l.Recipe.Equipment
	byHand := e.Wrap == recipe.Manual
	either := func(manual, auto float64) float64 {
		if byHand {
			return manual
		}
		return auto
	}
	c.Times.Arrive = w.Load + either(w.CentringManual, w.CentringAuto)
	c.Times.Measure = w.Scan
	c.Operator.Start = w.Start
	c.Times.InnerHead = either(w.DrivesManual, w.DrivesAuto) + either(w.StandManual, w.StandAuto) + either(w.VacuumManual, w.VacuumAuto) +
		either(w.InnerHeadsManual, w.InnerHeadsAuto) + either(w.WrapManual, w.WrapAuto)
	c.Times.OuterHead = either(w.CrimpManual, w.CrimpAuto) + either(w.OuterHeadsManual, w.OuterHeadsAuto)
	if e.Header == recipe.Manual {
		c.Times.OuterHead += w.HeaderManual
	} else {
		c.Times.OuterHead += w.HeaderAuto
	}
	c.Times.Eject = w.Label + w.Eject - c.Times.Gone
	c.Times.Weigh = either(w.ScaleManual, w.ScaleAuto)
	c.Habit.WrapSpeed, c.Habit.CrimpSpeed, c.Habit.Confirm = w.WrapSpeed, w.CrimpSpeed, byHand
	c.Stand.Change, c.Stand.Reserve = w.Change, l.Recipe.Stand.Reserve
}

// speedOfLine is how much faster than the clock the simulated lines run. The daemon's
// answer takes so much longer in their time.
const speedOfLine = 4

// wrappedPerHour wraps rolls with the daemon on the simulator, in virtual time, and returns
// how many an hour of the line's own time leave it.
func wrappedPerHour(t *testing.T, s *config.Snapshot, rolls []sim.Roll) float64 {
	t.Helper()
	c, err := rehearse.Line(&s.Lines[0])
	if err != nil {
		t.Fatal(err)
	}
	pace(&c, &s.Lines[0])
	c.Modbus.Addr, c.Rolls, c.Speed = "", rolls, speedOfLine
	c.Limit = time.Duration(len(rolls)) * 10 * time.Minute
	var took time.Duration
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		c.OnRoll = func(sim.RollReport) { took = time.Since(began) }
		line, err := sim.New(c)
		if err != nil {
			t.Fatal(err)
		}
		g, err := gateway.New(gateway.Options{
			Arm:      &gateway.Act{By: "test", Reason: "a simulated controller"},
			Snapshot: s, Dialer: func(*config.Line) (link.Dialer, error) { return &cable{image: line.Image()}, nil },
			OpenJournal: gateway.OpenJournals(s), Jitter: func() float64 { return 0.5 },
		})
		if err != nil {
			t.Fatal(err)
		}
		report, gerr, lerr := rehearse.Wrap(t.Context(), g, line)
		if err := errors.Join(gerr, lerr); err != nil {
			t.Fatal(err)
		}
		if n := report.Count(controller.Wrapped); n != len(rolls) || report.Held > 0 {
			t.Fatalf("%d of %d rolls were wrapped, %d offers held", n, len(rolls), report.Held)
		}
	})
	return float64(len(rolls)) / (took.Hours() * speedOfLine)
}

// TestRateAgainstSimulator holds the rate of three order mixes on three levels of
// automation to shifts of the daemon on the simulator, which knows nothing of the
// recipe: its roll turns, and its platens press, by physics of its own.
func TestRateAgainstSimulator(t *testing.T) {
	n := *rateRolls
	if testing.Short() {
		n = min(n, 12)
	}
	for _, m := range mixes() {
		if testing.Short() && m.name != "mixed" {
			continue
		}
		for _, at := range levels() {
			t.Run(m.name+", "+at.name, func(t *testing.T) {
				t.Parallel()
				set := map[string]string{"journal.directory": t.TempDir(), "lines.0.work.wrapper_change": "90 s"}
				for _, key := range recipe.StationKeys() {
					set["lines.0.equipment."+key] = at.mode(key).String()
				}
				s := demo(t, set)
				line := s.Lines[0].Recipe
				rolls := m.rolls(line, n)
				r, err := rate.New(line, rate.Options{Work: s.Lines[0].Work, Outer: sim.DefaultConfig().Stand.Full})
				if err != nil {
					t.Fatal(err)
				}
				for _, one := range rolls {
					r.Add(rate.Roll{Name: one.Tag, Diameter: one.Diameter, Width: one.Width, Grade: one.Grade, Core: one.Core, Count: 1})
				}
				if sum := r.Summary(); sum.Wrapped != int64(n) {
					t.Fatalf("%d of %d rolls get a recipe: %+v", sum.Wrapped, n, sum.Held)
				}
				reckoned, wrapped := r.Present().PerHour(), wrappedPerHour(t, s, rolls)
				t.Logf("%-7s %-17s reckoned %6.2f, measured %6.2f rolls an hour, %+.1f %%", m.name, at.name, reckoned, wrapped, 100*(reckoned/wrapped-1))
				const allowed = 0.05
				if !(math.Abs(reckoned/wrapped-1) <= allowed) {
					t.Errorf("reckoned %.2f rolls an hour, measured %.2f: want them within %g %%", reckoned, wrapped, 100*allowed)
				}
			})
		}
	}
}
