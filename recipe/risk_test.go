package recipe_test

import (
	"encoding/json"
	"flag"
	"math"
	"math/rand"
	"testing"

	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/recipetest"
)

var edgeDraws = flag.Int("edge-draws", 40_000, "draws at the edge of each limit")

// edgeCases is how many lines of our own are set to the edge of each limit.
const edgeCases = 28

// actual is a wrap as it turned out, drawn within what is stated of the line:
// measurements are normal, centring and placement are even within their
// tolerances. It is judged by plain geometry.
type actual struct {
	wide, narrow           float64 // of the roll, at its worst places
	small, large           float64 // diameters
	sheet, head            float64
	shift                  float64    // of the roll under the sheet
	off                    [2]float64 // of the heads, at both ends
	layers, caliper, lacks float64    // lacks: wrapper short of the wanted layers, less the overlap
}

func draw(r *rand.Rand, l *recipe.Line, roll *recipe.Roll, rec *recipe.Recipe, spec *recipe.Spec) actual {
	at := naiveEnds(roll)
	sp := &rec.Setpoints
	paper := l.Materials.Paper(l.Stand.Slots[sp.Slot-1].Paper)
	w, d := roll.WidthU*r.NormFloat64(), roll.DiameterU*r.NormFloat64()
	a := actual{
		wide: at.widest + w, narrow: at.narrowest + w, small: at.smallest + d, large: at.largest + d,
		sheet: sp.WrapperWidth + l.Stand.WidthU*r.NormFloat64(), head: sp.OuterHead + l.Heads.SizeU*r.NormFloat64(),
		shift:  l.Centring.Tolerance * (2*r.Float64() - 1),
		off:    [2]float64{l.Heads.Placement * r.Float64(), l.Heads.Placement * r.Float64()},
		layers: spec.Layers, caliper: paper.Caliper,
	}
	// What goes around the thick end of a tapered roll.
	caliper := paper.Caliper + paper.CaliperU*r.NormFloat64()
	fed := sp.FeedLength * (1 - l.Wrap.FeedSlip - l.Wrap.FeedSlipU*r.NormFloat64())
	around := 0.0
	thick := roll.Diameter + d + math.Abs(roll.Taper)/2
	for range int(spec.Layers) {
		around += math.Pi * (thick + caliper)
		thick += 2 * caliper
	}
	a.lacks = around - (fed - spec.Tail)
	return a
}

// bad tells which kinds of bad wrap it is.
func (a *actual) bad(l *recipe.Line, spec *recipe.Spec, core float64) (kinds [recipe.RiskKinds]bool) {
	kinds[recipe.RiskSheet] = a.lacks > 0
	for end, shift := range [2]float64{a.shift, -a.shift} {
		scarce, ample := (a.sheet-a.wide)/2+shift, (a.sheet-a.narrow)/2+shift
		if scarce < spec.Overhang.Min || ample > spec.Overhang.Max {
			kinds[recipe.RiskOverhang] = true
		}
		if a.small/2-ample-core/2 < l.Crimp.Clearance {
			kinds[recipe.RiskCore] = true
		}
		reaches := a.large/2 + a.layers*a.caliper - scarce // of the fold, from the axis
		if a.head/2-a.off[end]-reaches < spec.MinLap {
			kinds[recipe.RiskLap] = true
		}
		if a.head/2+a.off[end] > a.small/2-l.Heads.OuterEdge {
			kinds[recipe.RiskHead] = true
		}
	}
	return kinds
}

// edges set a line so that a wrap is exactly at the edge of one limit, by the
// recipe at hand, and beyond it by a length.
var edges = []struct {
	name string
	kind recipe.RiskKind
	set  func(l *recipe.Line, roll *recipe.Roll, rec *recipe.Recipe, w recipe.Window, beyond float64)
}{
	{"least overhang", recipe.RiskOverhang, func(l *recipe.Line, _ *recipe.Roll, rec *recipe.Recipe, w recipe.Window, beyond float64) {
		l.Materials.Specs[0].Overhang.Min += rec.Setpoints.Overhang - w.Overhang.Min + beyond
	}},
	{"greatest overhang", recipe.RiskOverhang, func(l *recipe.Line, _ *recipe.Roll, rec *recipe.Recipe, w recipe.Window, beyond float64) {
		l.Materials.Specs[0].Overhang.Max -= w.Overhang.Max - rec.Setpoints.Overhang + beyond
	}},
	{"core", recipe.RiskCore, func(l *recipe.Line, roll *recipe.Roll, rec *recipe.Recipe, _ recipe.Window, beyond float64) {
		l.Materials.Specs[0].Overhang.Max = 1
		w, _ := recipe.WrapperWindow(l, roll, rec.Setpoints.Slot)
		l.Crimp.Clearance += w.Overhang.Max - rec.Setpoints.Overhang + beyond
	}},
	{"lap", recipe.RiskLap, func(l *recipe.Line, roll *recipe.Roll, rec *recipe.Recipe, _ recipe.Window, beyond float64) {
		l.Materials.Specs[0].Overhang.Min = 0
		w, _ := recipe.WrapperWindow(l, roll, rec.Setpoints.Slot)
		l.Materials.Specs[0].MinLap += rec.Setpoints.Overhang - w.Overhang.Min + beyond
	}},
	{"head", recipe.RiskHead, func(l *recipe.Line, roll *recipe.Roll, rec *recipe.Recipe, _ recipe.Window, beyond float64) {
		l.Heads.OuterEdge += (l.Heads.MostOuter(l, roll)-rec.Setpoints.OuterHead)/2 + beyond
		l.Materials.Stock[0].Diameters = []float64{rec.Setpoints.OuterHead}
	}},
	{"sheet", recipe.RiskSheet, func(l *recipe.Line, roll *recipe.Roll, _ *recipe.Recipe, _ recipe.Window, beyond float64) {
		s := &l.Materials.Specs[0]
		for range 20 { // the uncertainty follows the length a little
			c := compute(l, roll, sampleStand()).Risk[recipe.RiskSheet]
			s.Overlap += l.Limits.GuardK*c.U - c.Margin
		}
		s.Overlap += 1e-9 - beyond
	}},
}

// edgeCase is a line of our own with a roll that it wraps, all uncertainties
// other in each.
func edgeCase(r *rand.Rand, i int) (*recipe.Line, *recipe.Roll) {
	l, roll := recipetest.Line(), sampleRoll()
	l.Materials.Specs[0].MinLap = 0.005
	l.Materials.Specs[0].Layers, l.Materials.Specs[0].Overlap = float64(2+r.Intn(4)), 0.3
	if l.Centring.Tolerance = 0.02 * r.Float64(); i%4 == 0 {
		l.Centring.Tolerance = 0
	}
	if l.Heads.Placement = 0.006 * r.Float64(); i%3 == 0 {
		l.Heads.Placement = 0
	}
	l.Stand.WidthU = 2e-3 * r.Float64()
	l.Heads.SizeU = 1e-3 * r.Float64()
	l.Wrap.FeedSlipU = 0.001 + 0.002*r.Float64()
	l.Materials.Papers[0].CaliperU = 1e-5 * r.Float64()
	roll.Diameter = 0.8 + 0.8*r.Float64()
	roll.DiameterU, roll.WidthU = (0.2+2*r.Float64())*1e-3, (0.2+2*r.Float64())*1e-3
	roll.Width = 50*inch - 2*(0.115+0.02*r.Float64())
	roll.WidthMedian = roll.Width
	roll.Ovality, roll.WidthSpread, roll.Taper = 0.015*r.Float64(), 0.012*r.Float64(), 0.004*r.Float64()
	l.Materials.Stock[0].Diameters = []float64{math.Floor((roll.Diameter*0.985-0.02)*100) / 100}
	return l, roll
}

// TestEdgeOfEachLimit: at the very edge of a limit a recipe is a go, a tenth of
// a millimetre beyond it is none, and the chance that the go is a bad wrap is
// at most 2 %. The chance that the recipe states is borne out by the draws.
func TestEdgeOfEachLimit(t *testing.T) {
	r := rand.New(rand.NewSource(29))
	draws := *edgeDraws
	worst := map[string]float64{}
	for i := range edgeCases {
		base := r.Int63()
		for _, edge := range edges {
			at := func(beyond float64) (*recipe.Line, *recipe.Roll, recipe.Recipe, bool) {
				l, roll := edgeCase(rand.New(rand.NewSource(base)), i)
				rec := compute(l, roll, sampleStand())
				w, _ := recipe.WrapperWindow(l, roll, rec.Setpoints.Slot)
				if rec.Setpoints.Slot != 2 || rec.Setpoints.OuterHead == 0 {
					t.Fatalf("case %d is no wrap to begin with: %+v", i, rec.Problems[:rec.N])
				}
				edge.set(l, roll, &rec, w, beyond)
				rec = compute(l, roll, sampleStand())
				// Press and scale have tests of their own.
				l.Equipment.Header, l.Equipment.Scale = recipe.Absent, recipe.Absent
				rec = compute(l, roll, sampleStand())
				return l, roll, rec, recipe.Held(check.Run(l, roll, sampleStand(), &rec, nil, nil))
			}
			l, roll, rec, held := at(0)
			if held {
				t.Errorf("case %d, %s: held at the edge: %+v", i, edge.name, check.Run(l, roll, sampleStand(), &rec, nil, nil))
				continue
			}
			if _, _, _, held := at(1e-4); !held {
				t.Errorf("case %d, %s: a tenth of a millimetre beyond the edge is a go", i, edge.name)
			}
			bad := 0
			spec := &l.Materials.Specs[0]
			for range draws {
				a := draw(r, l, roll, &rec, spec)
				if a.bad(l, spec, l.Materials.Cores[0].Diameter)[edge.kind] {
					bad++
				}
			}
			p := float64(bad) / float64(draws)
			worst[edge.name] = math.Max(worst[edge.name], p)
			deviation := math.Sqrt(0.02 * 0.98 / float64(draws))
			if p > 0.02+3*deviation {
				t.Errorf("case %d, %s: %.4f of the wraps are bad, want at most 0.02", i, edge.name, p)
			}
			stated := rec.Risk[edge.kind]
			if !stated.Known || math.Abs(p-stated.P) > 4*deviation+0.5*math.Max(0, stated.P-p) {
				t.Errorf("case %d, %s: stated is a chance of %.4f, drawn is %.4f", i, edge.name, stated.P, p)
			}
		}
	}
	t.Logf("share of bad wraps at the worst of %d edges each, %d draws: %v", edgeCases, draws, worst)
}

// TestShiftOfGoodWraps draws every go of a sound line once.
func TestShiftOfGoodWraps(t *testing.T) {
	r := rand.New(rand.NewSource(10))
	wraps, bad, stated := 0, 0, 0.0
	for wraps < 10_000 {
		l := recipetest.Line()
		roll := randomRoll(r, l)
		roll.Grade = 1
		rec := compute(l, roll, sampleStand())
		if recipe.Held(check.Run(l, roll, sampleStand(), &rec, nil, nil)) {
			continue
		}
		wraps++
		core := 0.0
		for _, c := range l.Materials.Cores {
			if c.Code == roll.Core || roll.Core == 0 {
				core = math.Max(core, c.Diameter)
			}
		}
		a := draw(r, l, roll, &rec, &l.Materials.Specs[0])
		any := false
		for k, is := range a.bad(l, &l.Materials.Specs[0], core) {
			any = any || is
			if recipe.RiskKind(k) != recipe.RiskBond { // always at its design point
				stated += rec.Risk[k].P
			}
		}
		if any {
			bad++
		}
	}
	if bad > wraps/1000 || stated > float64(wraps)/1000 {
		t.Errorf("%d of %d wraps are bad, stated are %.2f; want at most 0.1 %%", bad, wraps, stated)
	}
	t.Logf("%d of %d wraps are bad, stated are %.2f", bad, wraps, stated)
}

// Chances are read in any form of JSON that says the same.
func TestRiskIsRead(t *testing.T) {
	known := func(p float64) recipe.Chance { return recipe.Chance{Known: true, P: p} }
	both := recipe.Risk{recipe.RiskCore: known(0.25), recipe.RiskBond: known(1.5e-11)}
	for _, c := range []struct {
		text string
		want recipe.Risk
		err  bool
	}{
		{`{"core":0.25,"bond":1.5e-11}`, both, false},
		{`{"bond":1.5e-11,"core":0.25}`, both, false},
		{` { "core" : 0.25 , "bond" : 1.5e-11 } `, both, false},
		{`{"core":0.5,"core":0.25,"bond":1.5e-11}`, both, false},
		{`{"core":0.25,"moon":{"full":1},"bond":1.5e-11}`, recipe.Risk{}, true},
		{`{"core":0.25,"moon":1,"bond":1.5e-11}`, both, false},
		{`{"core":null}`, recipe.Risk{recipe.RiskCore: known(0)}, false},
		{`{}`, recipe.Risk{}, false},
		{`null`, recipe.Risk{}, false},
		{`{"core":"0.25"}`, recipe.Risk{}, true},
		{`{"core":1e999}`, recipe.Risk{}, true},
		{`[]`, recipe.Risk{}, true},
	} {
		var got recipe.Risk
		if err := json.Unmarshal([]byte(c.text), &got); got != c.want || (err != nil) != c.err {
			t.Errorf("%s: got %+v, %v; want %+v, an error %v", c.text, got, err, c.want, c.err)
		}
	}
	text, err := json.Marshal(both)
	if err != nil || string(text) != `{"core":0.25,"bond":1.5e-11}` {
		t.Errorf("written %s, %v", text, err)
	}
}
