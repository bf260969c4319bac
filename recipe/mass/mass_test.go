package mass_test

import (
	"encoding/csv"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"lapgate/recipe/mass"
)

func plain() mass.Item {
	return mass.Item{
		Diameter: 1.2, Width: 1.5, Density: 800,
		Core:    mass.Core{0.0762, 1.2},
		Wrapper: mass.Sheet{11.5, 1.75, 0.2},
		Inner:   mass.Head{1.15, 0.3},
		Outer:   mass.Head{1.18, 0.225},
		Glue:    0.05,
	}
}

// The checks of testdata/reference/mass.csv; each row names its source.
func TestReference(t *testing.T) {
	f, err := os.Open("../../testdata/reference/mass.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	const inch, pound = 0.0254, 0.45359237
	for _, row := range rows[1:] {
		var v [5]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(row[i+1], 64); err != nil {
				t.Fatal(err)
			}
		}
		tol, err := strconv.ParseFloat(row[8], 64)
		if err != nil {
			t.Fatal(err)
		}
		length, weight, density := 1.0, 1.0, v[3]
		if row[0] == "trade" {
			length, weight = inch, pound
			// The trade factor holds the π/4 that a density does not.
			density = v[3] / (math.Pi / 4) * pound / (inch * inch * inch)
		}
		got := mass.Solid(v[0]*length, v[1]*length, v[2]*length, density) / weight
		if math.Abs(got-v[4]) > tol*v[4] {
			t.Errorf("%v, want %v; %s (%s)", got, v[4], row[10], row[9])
		}
	}
	if len(rows) != 3 {
		t.Errorf("%d rows", len(rows))
	}
}

func TestWeigh(t *testing.T) {
	x := plain()
	p, err := x.Weigh()
	if err != nil {
		t.Fatal(err)
	}
	head := func(d, bw float64) float64 { return 2 * math.Pi / 4 * d * d * bw }
	tare := 1.2*1.5 + 11.5*1.75*0.2 + head(1.15, 0.3) + head(1.18, 0.225) + 0.05
	if math.Abs(p.Tare()-tare) > 1e-12 || math.Abs(p.Net()-1351.69559) > 1e-5 || p.Gross() != p.Net()+p.Tare() || p.U != 0 {
		t.Errorf("%+v: tare %v, want %v", p, p.Tare(), tare)
	}
}

// First-order uncertainty against 200 000 draws.
func TestUncertainty(t *testing.T) {
	x := plain()
	x.DiameterU, x.WidthU, x.DensityU = 0.002, 0.003, 6
	p, err := x.Weigh()
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	const n = 200_000
	var mean, squares float64
	for i := range n {
		v := mass.Solid(x.Diameter+x.DiameterU*rng.NormFloat64(), x.Core.Diameter, x.Width+x.WidthU*rng.NormFloat64(), x.Density+x.DensityU*rng.NormFloat64())
		d := v - mean
		mean += d / float64(i+1)
		squares += d * (v - mean)
	}
	if sd := math.Sqrt(squares / (n - 1)); math.Abs(sd-p.U) > 0.02*sd {
		t.Errorf("first order %v, drawn %v", p.U, sd)
	}
}

func TestJudge(t *testing.T) {
	for _, tc := range []struct {
		reading float64
		want    mass.Verdict
	}{
		{1000, mass.Good}, {1015, mass.Good}, {985, mass.Good}, {1015.1, mass.Doubtful}, {1025, mass.Doubtful}, {975, mass.Doubtful}, {1025.1, mass.Wrong}, {974.9, mass.Wrong},
		{0, mass.Unreadable}, {-5, mass.Unreadable}, {math.NaN(), mass.Unreadable}, {math.Inf(1), mass.Unreadable},
	} {
		if got := mass.Judge(tc.reading, 1000, 5, 0.015, 2); got.Verdict != tc.want {
			t.Errorf("%v kg: %+v, want %v", tc.reading, got, tc.want)
		}
	}
	for _, got := range []mass.Judgement{
		mass.Judge(1, math.NaN(), 0, 0.1, 2), mass.Judge(1, 1, math.NaN(), 0.1, 2), mass.Judge(1, 1, 0, math.NaN(), 2), mass.Judge(1, 1, 1, 0.1, -1),
	} {
		if got.Verdict != mass.Unreadable {
			t.Errorf("%+v", got)
		}
	}
}

func TestExplain(t *testing.T) {
	x := plain()
	p, err := x.Weigh()
	if err != nil {
		t.Fatal(err)
	}
	gross := p.Gross()
	alt := &mass.Alternatives{
		Densities: []float64{800, 700, 880, math.NaN()},
		Cores:     []mass.Core{{0.0762, 1.2}, {0.3048, 6}, {2, 1}},
		Rolls:     []float64{600, gross * 1.1, 0},
	}
	// Each cause's own mass must bring it back first, unless another explains
	// it just as well.
	for _, c := range x.Causes(alt, nil) {
		if math.Abs(c.Gross-gross) < 1e-9 {
			continue // the grade and the core that it has
		}
		got := mass.Explain(c.Gross, gross, 0.015, x.Causes(alt, nil))
		if len(got) == 0 || got[0].Residual != 0 || got[0].Kind != c.Kind || got[0].Index != c.Index {
			t.Errorf("%+v explained as %+v", c, got)
		}
		for i := 1; i < len(got); i++ {
			if math.Abs(got[i].Residual) < math.Abs(got[i-1].Residual) {
				t.Errorf("out of order: %+v", got)
			}
		}
	}
	// Dense grade and neighbour, both 10 % heavier: the nearer first, both told.
	got := mass.Explain(gross+p.Paper*0.1, gross, 0.015, x.Causes(alt, nil))
	if len(got) != 2 || got[0].Kind != mass.WrongGrade || got[0].Index != 2 || got[1].Kind != mass.WrongRoll || got[1].Index != 1 {
		t.Errorf("%+v", got)
	}
	// No head explains fifty kilograms, however wide the tolerance.
	for _, c := range mass.Explain(gross-50, gross, 0.05, x.Causes(&mass.Alternatives{}, nil)) {
		t.Errorf("%+v blamed for 50 kg", c)
	}
	// Equal residuals: in order of kind, then index.
	same := []mass.Cause{{Kind: mass.WrongRoll, Index: 1, Gross: 90}, {Kind: mass.WrongRoll, Index: 0, Gross: 90}, {Kind: mass.WrongGrade, Index: 5, Gross: 90}}
	if got := mass.Explain(90, 100, 0.01, same); len(got) != 3 || got[0].Kind != mass.WrongGrade || got[1].Index != 0 || got[2].Index != 1 {
		t.Errorf("%+v", got)
	}
	if got := mass.Explain(math.NaN(), gross, 0.015, x.Causes(alt, nil)); len(got) != 0 {
		t.Errorf("NaN explained as %+v", got)
	}
	bad := mass.Item{}
	if got := bad.Causes(alt, nil); len(got) != 0 {
		t.Errorf("an item without a mass has causes %+v", got)
	}
}

func TestFaults(t *testing.T) {
	nan := math.NaN()
	for i, tc := range []struct {
		want mass.Fault
		edit func(*mass.Item)
	}{
		{mass.BadDiameter, func(x *mass.Item) { x.Diameter = nan }},
		{mass.BadCore, func(x *mass.Item) { x.Core.Diameter = 1.2 }},
		{mass.BadCore, func(x *mass.Item) { x.Core.Diameter = nan }},
		{mass.BadCore, func(x *mass.Item) { x.Core.Linear = nan }},
		{mass.BadWidth, func(x *mass.Item) { x.Width = 0 }},
		{mass.BadDensity, func(x *mass.Item) { x.Density = math.Inf(1) }},
		{mass.BadTare, func(x *mass.Item) { x.Wrapper.Length = nan }},
		{mass.BadTare, func(x *mass.Item) { x.Wrapper.Width = -1 }},
		{mass.BadTare, func(x *mass.Item) { x.Wrapper.BasisWeight = nan }},
		{mass.BadTare, func(x *mass.Item) { x.Inner.Diameter = nan }},
		{mass.BadTare, func(x *mass.Item) { x.Inner.BasisWeight = nan }},
		{mass.BadTare, func(x *mass.Item) { x.Outer.Diameter = nan }},
		{mass.BadTare, func(x *mass.Item) { x.Outer.BasisWeight = nan }},
		{mass.BadTare, func(x *mass.Item) { x.Glue = nan }},
		{mass.BadUncertainty, func(x *mass.Item) { x.DiameterU = nan }},
		{mass.BadUncertainty, func(x *mass.Item) { x.WidthU = -1 }},
		{mass.BadUncertainty, func(x *mass.Item) { x.DensityU = nan }},
	} {
		x := plain()
		tc.edit(&x)
		if p, err := x.Weigh(); !errors.Is(err, tc.want) || p != (mass.Parts{}) {
			t.Errorf("case %d: %+v, %v, want %v", i, p, err, tc.want)
		}
	}
	seen := map[string]bool{}
	for f := mass.BadDiameter; f <= mass.BadUncertainty; f++ {
		if s := f.Error(); seen[s] || s == mass.Fault(0).Error() {
			t.Errorf("fault %d reads %q", f, s)
		} else {
			seen[s] = true
		}
	}
}

func TestNoAllocation(t *testing.T) {
	x := plain()
	alt := &mass.Alternatives{Densities: []float64{700, 900}}
	room := make([]mass.Cause, 0, 16)
	if n := testing.AllocsPerRun(100, func() {
		p, _ := x.Weigh()
		_ = mass.Judge(1300, p.Gross(), p.U, 0.015, 2)
		_ = mass.Explain(1300, p.Gross(), 0.015, x.Causes(alt, room[:0]))
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkWeighAndExplain(b *testing.B) {
	x := plain()
	alt := &mass.Alternatives{Densities: []float64{700, 900}}
	room := make([]mass.Cause, 0, 16)
	b.ReportAllocs()
	for b.Loop() {
		p, _ := x.Weigh()
		_ = mass.Explain(1300, p.Gross(), 0.015, x.Causes(alt, room[:0]))
	}
}
