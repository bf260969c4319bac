package sim

import (
	"math"
	"slices"
	"testing"

	"lapgate/sim/controller"
)

// suffering is a calibrated line without surprises, with one fault of the
// process from its third roll on.
func suffering(name string, strength float64, seed uint64) Config {
	c := calibrated()
	c.Spread, c.Seed = Spread{}, seed
	c.Process = ProcessConfig{Faults: []WantedFault{{Name: name, Strength: strength}}, From: 3}
	return c
}

// met is what a line tells of rolls that are scanned and wrapped one after the
// other.
type met struct {
	scans   []controller.Measurement
	inputs  []controller.Inputs
	used    []controller.Used
	figures []Figures
	kinds   []map[DefectKind]bool
}

func meet(t *testing.T, c *Config, rolls int) (m met) {
	t.Helper()
	st := newStation(c)
	for i := range rolls {
		roll, r := good, fair()
		r.Dwell, r.OuterHead, r.Slot = 17, 1.0155, c.Stand.Slots[max(st.troubleOf(i+1).slot, 0)].Number
		if st.troubleOf(i+1).slot < 0 {
			r.Slot = fair().Slot
		}
		st.arrive(i+1, &roll)
		st.advance(c.Times.Arrive + c.Times.Measure + 1)
		m.scans = append(m.scans, st.measure(0))
		var in controller.Inputs
		st.show(&in)
		m.inputs = append(m.inputs, in)
		st.begin(r)
		for st.stage != finished {
			st.advance(1)
		}
		kinds := map[DefectKind]bool{}
		for _, d := range st.judgeWrap().Defects {
			kinds[d.Kind] = true
		}
		m.used, m.figures, m.kinds = append(m.used, *st.used(0, 0)), append(m.figures, st.figures), append(m.kinds, kinds)
	}
	return m
}

// Each fault does to the line what its row says, from its first roll on, and
// what it does is judged by what was truly done.
func TestProcessFaults(t *testing.T) {
	cases := map[string]func(t *testing.T, m met){
		"cold-platen": func(t *testing.T, m met) {
			if last := m.inputs[5].Platen; last > m.inputs[2].Platen-100 || m.inputs[5].PlatenHot < 1700 {
				t.Errorf("platens %d and %d at the sixth roll after %d, want one to fall by 10 K", last, m.inputs[5].PlatenHot, m.inputs[2].Platen)
			}
		},
		"low-pressure": func(t *testing.T, m met) {
			if got := float64(m.used[24].Pressure) / float64(m.used[0].Pressure); math.Abs(got-0.3) > 0.01 {
				t.Errorf("pressure fell to %.2f, want 0.30", got)
			}
			if m.used[5].Pressure >= m.used[3].Pressure || m.figures[24].Unbonded == 0 || !m.kinds[24][BondNotReached] {
				t.Errorf("pressures %d, %d; unbonded %g; %v", m.used[3].Pressure, m.used[5].Pressure, m.figures[24].Unbonded, m.kinds[24])
			}
		},
		"wrong-wrapper": func(t *testing.T, m met) {
			if !m.kinds[2][WrongWrapper] || math.Abs(m.figures[2].SheetWidth-m.figures[0].SheetWidth) < 0.01 {
				t.Errorf("%v, sheet %g m after %g m", m.kinds[2], m.figures[2].SheetWidth, m.figures[0].SheetWidth)
			}
		},
		"dirty-scanner": func(t *testing.T, m met) {
			lost := 0
			for _, s := range m.scans[2:] {
				for _, d := range s.Diameters {
					if d == 0 {
						lost++
					}
				}
			}
			if lost < 6 || slices.Contains(m.scans[0].Diameters[:], 0) {
				t.Errorf("%d readings lost in %d rolls", lost, len(m.scans)-2)
			}
		},
		"damp": func(t *testing.T, m met) {
			if m.figures[2].BondTemperature > m.figures[1].BondTemperature-1 {
				t.Errorf("bond at %.1f °C after %.1f °C, want it colder", m.figures[2].BondTemperature, m.figures[1].BondTemperature)
			}
		},
		"worn-feed-roll": func(t *testing.T, m met) {
			if short := 1 - m.figures[34].Paper/m.figures[0].Paper; short < 0.015 || m.used[34].Encoder != m.used[0].Encoder || !m.kinds[34][SheetShort] {
				t.Errorf("paper short by %.4f, encoder %d after %d, %v", short, m.used[34].Encoder, m.used[0].Encoder, m.kinds[34])
			}
		},
	}
	elsewhere := []string{"sensor-high", "misshapen-rolls"} // TestSensorHigh, TestMisshapenRolls
	for _, f := range ProcessFaults() {
		t.Run(f.Name, func(t *testing.T) {
			holds := cases[f.Name]
			if holds == nil {
				if !slices.Contains(elsewhere, f.Name) {
					t.Error("nothing looks at what it does")
				}
				return
			}
			c := suffering(f.Name, 1, 2)
			m := meet(t, &c, 36)
			for i := range 2 {
				if len(m.kinds[i]) > 0 {
					t.Errorf("roll %d before the fault: %v", i+1, m.kinds[i])
				}
			}
			holds(t, m)
		})
	}
}

// A platen that its sensor shows hotter than it is, or that lies on air, leaves
// the bond cold while everything reads well. Which of the two it is, the seed
// tells.
func TestSensorHigh(t *testing.T) {
	said := map[string]bool{}
	for seed := range uint64(8) {
		c := suffering("sensor-high", 1, seed)
		m := meet(t, &c, 8)
		if got := m.inputs[7].Platen; got < 1760 {
			t.Errorf("seed %d: the platens read %d, want them at their setpoint", seed, got)
		}
		if !m.kinds[7][BondNotReached] || m.figures[7].BondTemperature > m.figures[1].BondTemperature-3 {
			t.Errorf("seed %d: bond at %.1f °C, %v", seed, m.figures[7].BondTemperature, m.kinds[7])
		}
		f := c.processFaults()[0]
		said[f.count(&c).What] = true
	}
	if len(said) != 2 {
		t.Errorf("got %v, want a sensor and air", said)
	}
}

// Rolls come oval, tapered or telescoped, and read so.
func TestMisshapenRolls(t *testing.T) {
	said := map[string]bool{}
	for seed := range uint64(20) {
		c := suffering("misshapen-rolls", 1, seed)
		st := newStation(&c)
		roll := good
		st.arrive(4, &roll)
		if r := st.roll; r.Ovality < mostOvality/2 && math.Abs(r.Taper) < mostTaper/2 && r.Telescoping < mostTelescope/2 {
			t.Errorf("seed %d: %+v is not misshapen", seed, r)
		}
		if roll != good {
			t.Error("the list of rolls was changed")
		}
		f := c.processFaults()[0]
		said[f.count(&c).What] = true
	}
	if len(said) != 3 {
		t.Errorf("got %v, want three kinds", said)
	}
}

// A strength and a first roll that are not given are drawn from the seed; a fault
// draws the same whichever others there are.
func TestProcessFaultsAreDrawn(t *testing.T) {
	c := calibrated()
	c.Rolls = make([]Roll, 40)
	c.Process.Faults = []WantedFault{{Name: "all"}}
	all := c.processFaults()
	if len(all) != len(ProcessFaults()) {
		t.Fatalf("%d faults", len(all))
	}
	for i, f := range all {
		if f.strength < weakest || f.strength > 1 || f.from < 1 || f.from > 21 {
			t.Errorf("%s: strength %g from roll %d", f.Name, f.strength, f.from)
		}
		c.Process.Faults = []WantedFault{{Name: f.Name}}
		if one := c.processFaults()[0]; one.strength != f.strength || one.from != f.from || one.count(&c) != f.count(&c) {
			t.Errorf("%s is another alone: %+v, %+v", f.Name, one.count(&c), f.count(&c))
		}
		if i > 0 && f.strength == all[i-1].strength {
			t.Errorf("%s is as strong as %s", f.Name, all[i-1].Name)
		}
	}
	for _, bad := range []WantedFault{{Name: "gremlins"}, {Name: "damp", Strength: 1.5}, {Name: "damp", Strength: -1}, {Name: "damp", Strength: math.NaN()}} {
		c := DefaultConfig()
		c.Rolls = []Roll{good}
		if c.Process.Faults = []WantedFault{bad}; c.Validate() == nil {
			t.Errorf("%+v is taken", bad)
		}
	}
}

// Twins of the same seed, one of them with a fault, have the same rolls until it
// begins.
func TestProcessFaultsLeaveTheRestAlone(t *testing.T) {
	for _, f := range ProcessFaults() {
		c := suffering(f.Name, 0.7, 5)
		sound := c
		sound.Process = ProcessConfig{}
		a, b := meet(t, &c, 2), meet(t, &sound, 2)
		for i := range 2 {
			if a.scans[i] != b.scans[i] || a.figures[i] != b.figures[i] || a.used[i] != b.used[i] {
				t.Errorf("%s: roll %d is another before the fault begins", f.Name, i+1)
			}
		}
	}
}
