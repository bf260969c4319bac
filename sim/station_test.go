package sim

import (
	"math"
	"strings"
	"testing"

	"lapgate/sim/controller"
	"lapgate/sim/registers"
)

// wrap lets a station wrap one roll with a recipe, nil for by hand, and judges
// it.
func wrap(t *testing.T, cfg Config, roll Roll, r *controller.Recipe) Judgement {
	t.Helper()
	st := newStation(&cfg)
	st.arrive(1, &roll)
	st.advance(cfg.Times.Arrive + cfg.Times.Measure + 1)
	if st.stage != waiting {
		t.Fatalf("stage %d after the scan", st.stage)
	}
	if !st.begin(r) {
		t.Fatal("the operator finds nothing to wrap with")
	}
	for range 10_000 {
		if st.stage == finished {
			return st.judgeWrap()
		}
		st.advance(1)
	}
	t.Fatalf("never finished, stage %d", st.stage)
	return Judgement{}
}

var good = Roll{Tag: "G-1", Diameter: 1.016, Width: 1.2192, Grade: 1, Core: 1}

func fair() *controller.Recipe {
	// 40 × 48 in in the 58 in slot: 5 in on each side.
	d, t := good.Diameter, 0.012*inch
	feed := math.Pi*3*(d+3*t) + 0.1524
	turns := 1.25 * math.Pi * (d + 6*t)
	return &controller.Recipe{
		Groups: 1<<registers.GroupStand | 1<<registers.GroupWrap | 1<<registers.GroupCrimp | 1<<registers.GroupHeader |
			1<<registers.GroupDrives,
		Slot: 4, WrapperWidth: 58 * inch, FeedLength: feed, FeedCounts: uint32(math.Ceil(feed * 2000)), Layers: 3, Overlap: 0.1524,
		WrapSpeed: 0.6, TurningHz: 25.54, FeedHz: 25.54, CrimpTurns: 1.25, CrimpTime: turns/0.4 + 0.4/0.25 + 2, CrimpTurningHz: 17.58,
		CrimperHz: 17.58, Temperature: 176.7, Dwell: 3.8, OuterHead: 1.016,
	}
}

func TestFairWrapIsGood(t *testing.T) {
	j := wrap(t, DefaultConfig(), good, fair())
	if !j.Good {
		t.Fatalf("judged bad: %s", j.Text())
	}
	f := j.Figures
	for name, v := range map[string][3]float64{
		"mean overhang":       {(f.OverhangPoor + f.OverhangRich) / 2, 0.127, 1e-9},
		"crimp turns":         {f.CrimpTurns, 1.25, 0.03},
		"overlap":             {f.Overlap, 0.1524, 0.02},
		"paper, by the slip":  {f.Paper, f.Encoder * 0.999, 1e-3},
		"layers":              {f.LayersWound, 3 + 0.1524/(math.Pi*1.018), 0.01},
		"bond at the setting": {f.BondTemperature, 121, 2},
	} {
		if math.Abs(v[0]-v[1]) > v[2] {
			t.Errorf("%s is %g, want %g ± %g", name, v[0], v[1], v[2])
		}
	}
}

func TestByHandIsGood(t *testing.T) {
	if j := wrap(t, DefaultConfig(), good, nil); !j.Good {
		t.Errorf("judged bad: %s", j.Text())
	}
}

// Whatever group is not in force, the line's own setting serves.
func TestEachGroupMayBeMissing(t *testing.T) {
	for g := range registers.GroupDrives + 1 {
		r := fair()
		if r.Groups &^= 1 << g; g == registers.GroupWrap {
			r.Groups &^= 1 << registers.GroupDrives // a speed without its length would not match
		}
		blank(r, g)
		if j := wrap(t, DefaultConfig(), good, r); !j.Good {
			t.Errorf("without group %d judged bad: %s", g, j.Text())
		}
	}
}

func blank(r *controller.Recipe, group registers.Group) {
	switch group {
	case registers.GroupStand:
		r.Slot, r.WrapperWidth = 0, 0
	case registers.GroupWrap:
		r.FeedLength, r.FeedCounts, r.Layers, r.Overlap, r.WrapSpeed = 0, 0, 0, 0, 0
	case registers.GroupCrimp:
		r.CrimpTurns, r.CrimpTime = 0, 0
	case registers.GroupHeader:
		r.Temperature, r.Dwell = 0, 0
	case registers.GroupDrives:
		r.TurningHz, r.FeedHz, r.CrimpTurningHz, r.CrimperHz = 0, 0, 0, 0
	}
}

// Each way to wrap badly is seen, by the figure it spoils.
func TestBadWrapsAreSeen(t *testing.T) {
	tests := []struct {
		name   string
		recipe func(*controller.Recipe)
		roll   func(*Roll)
		line   func(*Config)
		reason string
	}{
		{name: "narrow wrapper", recipe: func(r *controller.Recipe) { r.Slot, r.WrapperWidth = 3, 46*inch }, reason: "overhang on the poor side"},
		{name: "wide wrapper", recipe: func(r *controller.Recipe) { r.Slot, r.WrapperWidth = 5, 70*inch }, reason: "overhang on the rich side"},
		{name: "small core", roll: func(r *Roll) { r.Diameter = 0.3 }, reason: "fold reaches the core"},
		{name: "small head", recipe: func(r *controller.Recipe) { r.OuterHead = 0.75 }, reason: "lap under the outer head"},
		{name: "large head", recipe: func(r *controller.Recipe) { r.OuterHead = 1.1 }, reason: "outer head is larger than the roll"},
		{name: "other wrapper than told", recipe: func(r *controller.Recipe) { r.WrapperWidth = 1.45 }, reason: "width told of the wrapper"},
		{name: "off centre", line: func(c *Config) { c.Centring.Error = 0.001 }, recipe: func(r *controller.Recipe) {
			r.Groups |= 1 << registers.GroupCentre
			r.Centring = 0.06
		}, reason: "overhang on the poor side"},
		{name: "short feed", recipe: func(r *controller.Recipe) { r.FeedCounts -= 200 }, reason: "overlap of the layers"},
		{name: "long feed", recipe: func(r *controller.Recipe) { r.FeedCounts += 2000 }, reason: "overlap of the layers"},
		{name: "too little for the layers", recipe: func(r *controller.Recipe) { r.FeedCounts -= 1000 }, reason: "layers on the roll"},
		{name: "slipping feed", line: func(c *Config) { c.Wrap.Slip = 0.01 }, reason: "paper on the roll"},
		{name: "wrapper runs out", line: func(c *Config) { c.Stand.Slots[3].Outer = 0.0785 }, reason: "ran out"},
		{name: "speeds differ", recipe: func(r *controller.Recipe) { r.FeedHz = 28 }, reason: "feed rolls run"},
		{name: "short crimp", recipe: func(r *controller.Recipe) { r.CrimpTime -= 3 }, reason: "crimp turns"},
		{name: "long crimp", recipe: func(r *controller.Recipe) { r.CrimpTime += 2 }, reason: "crimp turns"},
		{name: "slow crimp drive", recipe: func(r *controller.Recipe) { r.CrimpTurningHz = 10 }, reason: "crimp turns"},
		{name: "wrong height", recipe: func(r *controller.Recipe) { r.CentreHeight = 0.5 }, reason: "roll centre"},
		{name: "short dwell", recipe: func(r *controller.Recipe) { r.Dwell = 2.5 }, reason: "bond line reached"},
		{name: "cool platen", recipe: func(r *controller.Recipe) { r.Temperature = 150 }, reason: "bond line reached"},
		{name: "poor contact", line: func(c *Config) { c.Header.Contact.Conductance = 450 }, reason: "bond line reached"},
		{name: "no hold", line: func(c *Config) { c.Accept.BondHold = 5 }, reason: "held its temperature"},
		{name: "scorched", line: func(c *Config) { c.Accept.Dose = 0.5 }, reason: "scorched"},
		{name: "dead heater", line: func(c *Config) { c.Header.Power, c.Header.Start, c.Times.HeatLimit = 0, 60, 300 }, reason: "platens did not come"},
		{name: "wrong mass", recipe: func(r *controller.Recipe) {
			r.Groups |= 1 << registers.GroupWeigh
			r.Gross, r.ScaleTolerance = 500, 0.02
		}, reason: "scale reads"},
		{name: "no such slot", recipe: func(r *controller.Recipe) { r.Slot = 0 }, reason: "no such wrapper slot"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			cfg, roll, r := DefaultConfig(), good, fair()
			if tc.line != nil {
				tc.line(&cfg)
			}
			if tc.roll != nil {
				tc.roll(&roll)
			}
			if tc.recipe != nil {
				tc.recipe(r)
			}
			j := wrap(t, cfg, roll, r)
			if all := j.Text(); j.Good || !strings.Contains(all, tc.reason) {
				t.Errorf("judged %t: %q, want %q", j.Good, all, tc.reason)
			}
		})
	}
}

func TestWrapperIsConsumedAndChanged(t *testing.T) {
	cfg := DefaultConfig()
	st := newStation(&cfg)
	slot, wrapped := 3, 0
	cfg.Stand.Slots[slot].Outer = 0
	st.supply[slot].Outer = 0.25
	for before := st.supply[slot].Outer; st.ready[slot]; wrapped++ {
		roll := good
		st.arrive(wrapped+1, &roll)
		st.advance(cfg.Times.Arrive + cfg.Times.Measure + 1)
		if !st.begin(fair()) {
			t.Fatal("cannot begin")
		}
		for st.stage != finished && st.ready[slot] {
			st.advance(1)
		}
		if now := st.supply[slot].Outer; now >= before {
			t.Fatalf("outer diameter %g m after %g m", now, before)
		} else {
			before = now
		}
		st.leave()
	}
	if left := st.supply[slot].Left(); left >= cfg.Stand.Reserve || wrapped < 5 {
		t.Errorf("change begins with %.1f m left after %d rolls", left, wrapped)
	}
	st.advance(cfg.Stand.Change + 1)
	if !st.ready[slot] || st.supply[slot].Outer != cfg.Stand.Full {
		t.Error("no fresh wrapper hangs")
	}
}

func TestScanNoise(t *testing.T) {
	cfg := DefaultConfig()
	st := newStation(&cfg)
	roll := good
	roll.Ovality = 0.01
	st.arrive(7, &roll)
	a, b := st.measure(1000), st.measure(1000)
	if a == b {
		t.Error("two scans gave the same samples")
	}
	other := newStation(&cfg)
	other.arrive(7, &roll)
	if other.measure(1000) != a {
		t.Error("the same roll and seed scan differently")
	}
	if d := math.Abs(float64(a.Diameter)/1e4 - roll.Diameter); d > 4*cfg.Scanner.DiameterNoise/math.Sqrt(12)+1e-4 {
		t.Errorf("mean of the diameter samples is off by %g m", d)
	}
	lo, hi := uint16(math.MaxUint16), uint16(0)
	for _, s := range a.Diameters {
		lo, hi = min(lo, s), max(hi, s)
	}
	if ov := float64(hi-lo) / 1e4 / roll.Diameter; math.Abs(ov-0.01) > 0.003 {
		t.Errorf("samples show an ovality of %.4f, want about 0.01", ov)
	}
}
