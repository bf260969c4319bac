package recipe_test

import (
	"math"
	"math/rand"
	"strings"
	"testing"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/recipetest"
)

// spread is the mean and standard deviation of what comes in.
type spread struct {
	n          float64
	mean, sumS float64
}

func (s *spread) add(v float64) {
	s.n++
	d := v - s.mean
	s.mean += d / s.n
	s.sumS += d * (v - s.mean)
}

func (s *spread) sd() float64 { return math.Sqrt(s.sumS / (s.n - 1)) }

// TestUncertaintyAgainstMonteCarlo draws every uncertain input at random and
// computes each setpoint anew: the propagation of distributions (JCGM 101)
// that the first-order budget stands in for. Scan, caliper, slip, density and
// conductance are normal, the centring error is rectangular. The conductance
// is taken as uncertain by up to 8 %: the dwell bends in it, and from 10 % on
// first order falls 5 % short.
func TestUncertaintyAgainstMonteCarlo(t *testing.T) {
	draws, rolls := 100_000, 24
	if testing.Short() {
		draws, rolls = 10_000, 20
	}
	r := rand.New(rand.NewSource(101))
	done := 0
	for i := 0; done < rolls && i < 1000; i++ {
		line := recipetest.Line()
		roll, stand := randomRoll(r, line), sampleStand()
		roll.DiameterU = (0.2 + 2*r.Float64()) * 1e-3
		roll.WidthU = (0.2 + 4*r.Float64()) * 1e-3
		roll.WidthMedian = roll.Width
		line.Limits.GuardK = 0
		line.Centring.Tolerance = 0.012 * r.Float64()
		line.Wrap.FeedSlipU = 0.004 * r.Float64()
		rec := compute(line, roll, stand)
		sp, u := &rec.Setpoints, &rec.Uncertainty
		if !sp.Groups.Has(recipe.GroupWrap) || !sp.Groups.Has(recipe.GroupHeader) || !sp.Groups.Has(recipe.GroupWeigh) {
			continue
		}
		done++
		spec, _ := line.SpecOf(roll)
		paper := line.Materials.Paper(line.Stand.Slots[sp.Slot-1].Paper)
		grade := line.Materials.Grade(roll.Grade)
		core := 0.0
		for _, c := range line.Materials.Cores {
			if c.Code == roll.Core || roll.Core == 0 {
				core = math.Max(core, c.Diameter)
			}
		}
		var overhang, feed, gross spread
		for range draws {
			width := roll.Width + roll.WidthU*r.NormFloat64()
			diameter := roll.Diameter + roll.DiameterU*r.NormFloat64()
			overhang.add((sp.WrapperWidth+line.Stand.WidthU*r.NormFloat64()-width)/2 + line.Centring.Tolerance*(2*r.Float64()-1))
			feed.add(naiveFeed(diameter, paper.Caliper+paper.CaliperU*r.NormFloat64(), *spec, line.Wrap.FeedSlip+line.Wrap.FeedSlipU*r.NormFloat64()))
			density := grade.Density + grade.DensityU*r.NormFloat64()
			section, more := core*core, 0.0
			if roll.Core == 0 {
				// Anywhere between the two cores, paper for core.
				a, b := &line.Materials.Cores[0], &line.Materials.Cores[1]
				share := r.Float64()
				section = a.Diameter*a.Diameter*share + b.Diameter*b.Diameter*(1-share)
				more = (share - 0.5) * (a.Mass - b.Mass) * roll.Width
			}
			gross.add(sp.Tare + more + math.Pi/4*(diameter*diameter-section)*width*density)
		}
		for _, c := range []struct {
			name       string
			first      float64
			simulation *spread
			value      float64
		}{
			{"overhang", u.Overhang, &overhang, sp.Overhang},
			{"feed length", u.FeedLength, &feed, sp.FeedLength},
			{"gross mass", u.Gross, &gross, sp.Gross},
		} {
			if sd := c.simulation.sd(); !(math.Abs(c.first/sd-1) <= 0.05) {
				t.Errorf("roll %d: uncertainty of the %s is %v to first order, %v by %d draws", i, c.name, c.first, sd, draws)
			}
			if math.Abs(c.simulation.mean-c.value) > 4*c.first/math.Sqrt(float64(draws)) {
				t.Errorf("roll %d: the %s is %v, the mean of the draws %v", i, c.name, c.value, c.simulation.mean)
			}
		}
	}
	if done < 20 {
		t.Errorf("only %d rolls were compared", done)
	}
}

// TestLargestContribution makes one input after the other the worst.
func TestLargestContribution(t *testing.T) {
	for _, c := range []struct {
		step string
		edit func(*recipe.Line, *recipe.Roll)
		want string
	}{
		{"Slot 2", func(l *recipe.Line, _ *recipe.Roll) { l.Centring.Tolerance = 0.02 }, "centring, 100 % of the variance"},
		{"Slot 2", func(l *recipe.Line, r *recipe.Roll) { l.Centring.Tolerance = 0.001; r.WidthU = 0.004 }, "width of the roll"},
		{"Feed length", func(l *recipe.Line, _ *recipe.Roll) { l.Wrap.FeedSlipU = 0.01 }, "slip of the feed rolls"},
		{"Feed length", func(l *recipe.Line, r *recipe.Roll) { l.Wrap.FeedSlipU = 0; r.DiameterU = 0.005 }, "diameter of the roll"},
		{"Feed length", func(l *recipe.Line, r *recipe.Roll) { l.Wrap.FeedSlipU, r.DiameterU = 0, 0 }, "caliper of the wrapper, 100 %"},
		{"Header", func(*recipe.Line, *recipe.Roll) {}, "effusivity of the backing"},
		{"Header", func(l *recipe.Line, _ *recipe.Roll) { l.Header.ConductanceU = 90 }, "conductance of the contact"},
		{"Mass", func(*recipe.Line, *recipe.Roll) {}, "density of the roll"},
		{"Mass", func(l *recipe.Line, r *recipe.Roll) { l.Materials.Grades[0].DensityU = 0.1; r.WidthU = 0.01 }, "width of the roll"},
	} {
		line, roll := recipetest.Line(), sampleRoll()
		c.edit(line, roll)
		found := false
		for _, s := range recipe.Explain(line, roll, sampleStand()) {
			if s.Title.String() == c.step {
				found = true
				if !strings.HasPrefix(s.Largest, c.want) || c.want == "" && s.Largest != "" {
					t.Errorf("%s: largest is %q, want %q", c.step, s.Largest, c.want)
				}
			}
		}
		if !found {
			t.Errorf("no step %s", c.step)
		}
	}
}

// TestUnitsOfTexts writes quantities in the units of the line.
func TestUnitsOfTexts(t *testing.T) {
	line := recipetest.Line()
	if got := line.Write(1.2700004, quantity.Length); got != "1.27 m" {
		t.Errorf("as held: %q", got)
	}
	line.Units = map[quantity.Dimension]string{quantity.Length: "in", quantity.Temperature: "°F", quantity.TemperatureDifference: "°F", quantity.Mass: "lb"}
	for d, want := range map[quantity.Dimension]string{
		quantity.Length: "50 in", quantity.Temperature: "34.286 °F", quantity.Mass: "2.8 lb", quantity.Time: "1.27 s",
	} {
		if got := line.Write(1.27, d); got != want {
			t.Errorf("%s: %q, want %q", d, got, want)
		}
	}
	// Kelvins are a difference, whoever reads them; degrees are a temperature.
	for unit, want := range map[string]string{"K": "9 °F", "°C": "41 °F", "m": "196.85 in", "": "5"} {
		if got := line.WriteUnit(5, unit); got != want {
			t.Errorf("5 %s: %q, want %q", unit, got, want)
		}
	}
}

// TestBondRiskAgainstMonteCarlo draws what is uncertain of a press: the chance
// that the dwell of the recipe is short is below 2 % and near the risk told.
func TestBondRiskAgainstMonteCarlo(t *testing.T) {
	const draws = 40_000
	r := rand.New(rand.NewSource(7))
	for _, grade := range []int{1, 2} {
		for _, u := range []float64{0.08, 0.15, 0.20} {
			line, roll := recipetest.Line(), sampleRoll()
			roll.Grade = grade
			if grade == 2 { // its paper hangs elsewhere
				roll.Width = 60*inch - 0.22
			}
			line.Header.ConductanceU = u * line.Header.Conductance
			line.Header.BackingU = u * line.Header.Backing
			line.Limits.Dwell.Max = 600
			rec := compute(line, roll, sampleStand())
			sp := &rec.Setpoints
			if !sp.Groups.Has(recipe.GroupHeader) {
				t.Fatalf("grade %d: no press: %+v", grade, rec.Problems[:rec.N])
			}
			told, ok := rec.Risk[recipe.RiskBond].P, rec.Risk[recipe.RiskBond].Known
			if !ok || told > 0.02 || told <= 0 {
				t.Errorf("grade %d: risk of the bond %v, %v", grade, told, ok)
			}
			spec, _ := line.SpecOf(roll)
			m := line.Materials.Head(spec.Head)
			conductance, err := line.Header.ConductanceAt(sp.ContactPressure)
			if err != nil {
				t.Fatal(err)
			}
			target, _ := line.TargetOf(m)
			p := line.Header.Pressing(m, sp.CloseMin, conductance)
			vary := func(v, u float64) float64 { return v * math.Max(0.05, 1+u*r.NormFloat64()) }
			uncertain := line.Header.UncertaintyOf(m)
			short := 0
			for range draws {
				q := p
				q.Head.Conductance = vary(p.Head.Conductance, uncertain.Conductance)
				q.Backing.Effusivity = vary(p.Backing.Effusivity, uncertain.BackingEffusivity)
				q.Head.Thickness = vary(p.Head.Thickness, uncertain.Thickness)
				q.Head.Conductivity = vary(p.Head.Conductivity, uncertain.Conductivity)
				q.Start += uncertain.StartTemperature * r.NormFloat64()
				if need, _, err := q.Dwell(target); err != nil || need > sp.HeaderDwell {
					short++
				}
			}
			if chance := float64(short) / draws; chance > 0.02 || chance < told/3 {
				t.Errorf("grade %d, uncertain by %v: %v of the draws are short in %.1f s, told is %v", grade, u, chance, sp.HeaderDwell, told)
			} else {
				t.Logf("grade %d, uncertain by %v: %.4f of the draws are short in %.1f s (nominal %.1f s), told %.4f", grade, u, chance, sp.HeaderDwell, sp.HeaderDwellNominal, told)
			}
		}
	}
}
