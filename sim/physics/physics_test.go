package physics

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// reference reads a table of outside numbers; each row names its source.
func reference(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "reference", name))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) < 2 {
		t.Fatalf("%s holds no rows", name)
	}
	return rows[1:]
}

func num(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

var paper = Solid{Conductivity: 0.12, Density: 750, HeatCapacity: 1400}

// theta is the rise of a half space with surface conductance, the closed form
// that a table of erfc values gives.
func theta(x, h, t float64) float64 {
	alpha := paper.Conductivity / (paper.Density * paper.HeatCapacity)
	s := math.Sqrt(alpha * t)
	bigX, bigH := x/(2*s), h*s/paper.Conductivity
	return math.Erfc(bigX) - math.Exp(bigH*bigH+2*bigX*bigH)*math.Erfc(bigX+bigH)
}

// sheet is a head of 0.3 mm on a backing.
func sheet(effusivity float64) Pack {
	return Pack{Head: paper, Thickness: 0.0003, Effusivity: effusivity, Start: 20}
}

const platen = 350.0/1.8 - 32/1.8 // 350 °F

// reaches is the time at which the bond line comes to a temperature, between
// two steps by a straight line.
func reaches(p *Press, dt, temperature float64) float64 {
	for now := 0.0; now < 200; now += dt {
		before := p.Bond()
		p.Step(dt, platen)
		if after := p.Bond(); after >= temperature {
			return now + dt*(temperature-before)/(after-before)
		}
	}
	return math.Inf(1)
}

func TestPressAgainstHalfSpace(t *testing.T) {
	own := math.Sqrt(paper.Conductivity * paper.Density * paper.HeatCapacity)
	for _, h := range []float64{150, 300, 450, 1000} {
		p := NewPress(h, sheet(own))
		now := 0.0
		for range 2000 {
			p.Step(0.01, platen)
			now += 0.01
			want := 20 + (platen-20)*theta(0.0003, h, now)
			if got := p.Bond(); now > 0.3 && math.Abs(got-want) > 0.1 {
				t.Fatalf("h %g after %.2f s: bond %.3f °C, closed form %.3f", h, now, got, want)
			}
		}
	}
}

// The time to 120 °C at the bond line for both bounds: a backing like the head,
// and none.
func TestPressReachesBondInReferenceTime(t *testing.T) {
	own := math.Sqrt(paper.Conductivity * paper.Density * paper.HeatCapacity)
	for _, row := range reference(t, "sim_press.csv") {
		for i, effusivity := range []float64{own, 0} {
			want := num(t, row[5+i])
			pack := Pack{Head: paper, Thickness: num(t, row[1]), Effusivity: effusivity, Start: num(t, row[3])}
			p := NewPress(num(t, row[0]), pack)
			now := 0.0
			for p.Bond() < num(t, row[4]) && now < 60 {
				p.Step(0.002, num(t, row[2]))
				now += 0.002
			}
			if math.Abs(now-want) > 0.001*want+0.003 {
				t.Errorf("h %s, effusivity %.0f: %.3f s, want %.3f (%s)", row[0], effusivity, now, want, row[7])
			}
		}
	}
}

// A head on a backing of its own against the inversion of the transform of the
// two layers, which shares nothing with finite volumes.
func TestPressOnBackings(t *testing.T) {
	for _, row := range reference(t, "sim_two_layers.csv") {
		want := num(t, row[2])
		got := reaches(NewPress(num(t, row[0]), sheet(num(t, row[1]))), 0.02, 120)
		if math.Abs(got-want) > num(t, row[3]) {
			t.Errorf("h %s on %s: %.4f s, want %s (%s)", row[0], row[1], got, row[2], row[4])
		}
	}
}

// The step of the simulator is fine enough.
func TestPressStepDoesNotMatter(t *testing.T) {
	for _, h := range []float64{150, 300, 1000} {
		fine := reaches(NewPress(h, sheet(550)), 0.002, 113)
		if coarse := reaches(NewPress(h, sheet(550)), 0.05, 113); math.Abs(coarse-fine) > 0.001*fine {
			t.Errorf("h %g: %.4f s in coarse steps, %.4f s in fine ones", h, coarse, fine)
		}
	}
}

func TestGlueDries(t *testing.T) {
	for _, row := range reference(t, "sim_drying.csv") {
		pack := Pack{
			Head: paper, Thickness: num(t, row[0]) / 1e3, Effusivity: num(t, row[2]), Start: 20,
			Water: num(t, row[5]) / 1e3, Evaporation: num(t, row[4]),
		}
		p := NewPress(num(t, row[1]), pack)
		const dt = 0.01
		heat, dry := 0.0, 0.0
		for now := 0.0; now < 200 && dry == 0; now += dt {
			p.Step(dt, num(t, row[3]))
			if heat == 0 && p.Bond() >= pack.Evaporation {
				heat = now + dt
			}
			if p.Dry() {
				dry = now + dt - heat
			}
		}
		tolerance := num(t, row[8])
		if math.Abs(heat-num(t, row[6])) > tolerance || math.Abs(dry-num(t, row[7])) > tolerance {
			t.Errorf("%s mm, h %s on %s: heats %.2f s and dries %.2f s, want %s and %s", row[0], row[1], row[2], heat, dry, row[6], row[7])
		}
	}
}

// A resistance at the bond line makes its backing side colder, and slower.
func TestBondResistanceIsSlow(t *testing.T) {
	pack := sheet(500)
	without := reaches(NewPress(300, pack), 0.02, 110)
	pack.Resistance = 5e-4
	if with := reaches(NewPress(300, pack), 0.02, 110); with < without*1.05 {
		t.Errorf("%.2f s with a resistance, %.2f s without", with, without)
	}
}

func TestPressTakesTheHeatItGains(t *testing.T) {
	p := NewPress(800, sheet(600))
	drawn := 0.0
	for range 500 {
		drawn += p.Step(0.01, 170)
	}
	gained := 0.0
	for i := range p.t {
		gained += p.c[i] * (p.t[i] - 20)
	}
	if math.Abs(drawn-gained) > 1e-9*gained {
		t.Errorf("drawn %g J/m², gained %g", drawn, gained)
	}
	if f := p.Face(170); f <= p.Bond() || f >= 170 {
		t.Errorf("face %.1f °C is not between bond %.1f and platen", f, p.Bond())
	}
}

func TestPressDrawsFromThePlaten(t *testing.T) {
	for _, row := range reference(t, "sim_platen.csv") {
		p := NewPress(300, sheet(500))
		drawn, steps := 0.0, int(num(t, row[0])/0.02)
		for range steps {
			drawn += p.Step(0.02, platen)
		}
		if math.Abs(drawn/1e3-num(t, row[1])) > num(t, row[2]) {
			t.Errorf("%s s: %.1f kJ/m², want %s", row[0], drawn/1e3, row[1])
		}
	}
}

func TestRingPressure(t *testing.T) {
	for _, row := range reference(t, "sim_ring.csv") {
		area := RingArea(num(t, row[0]), num(t, row[1]), num(t, row[2]), 0.95)
		if got := num(t, row[3]) / area / 1e3; math.Abs(got-num(t, row[4])) > num(t, row[5]) {
			t.Errorf("roll of radius %s m: %.2f kPa, want %s (%s)", row[0], got, row[4], row[6])
		}
	}
	if a := RingArea(0.4, 0.125, 0.05, 0.2); a != 0 {
		t.Errorf("a platen inside the fold is carried by %g m²", a)
	}
	c := Contact{Conductance: 150, Reference: 1e4, Exponent: 0.1, Low: 2e3, High: 1e5}
	for p, want := range map[float64]float64{0: 150, 1e4: 150, 1e5: 150 * math.Pow(10, 0.1), 1e6: 150 * math.Pow(10, 0.1), 1e3: 150 * math.Pow(0.2, 0.1)} {
		if got := c.At(p); math.Abs(got-want) > 1e-9 {
			t.Errorf("conductance at %g Pa is %g, want %g", p, got, want)
		}
	}
}

// By the law of Arrhenius: at 180 °C a second is a second; 10 K more are worth
// about 2.0 times as much at 120 kJ/mol.
func TestDoseRate(t *testing.T) {
	if got := DoseRate(180); math.Abs(got-1) > 1e-12 {
		t.Errorf("a second at 180 °C is worth %g", got)
	}
	want := math.Exp(120e3 / 8.3145 * 10 / (453.15 * 463.15))
	if got := DoseRate(190); math.Abs(got-want) > 1e-9 || got < 1.9 || got > 2.1 {
		t.Errorf("a second at 190 °C is worth %g, want %g", got, want)
	}
}

func TestAxisAgainstTrapezoid(t *testing.T) {
	for _, row := range reference(t, "sim_motion.csv") {
		s, v, a, d, want := num(t, row[0]), num(t, row[1]), num(t, row[2]), num(t, row[3]), num(t, row[4])
		const dt = 0.0005
		x := Axis{Accel: a, Decel: d}
		now := 0.0
		for !x.ToPosition(s, v, dt) && now < 60 {
			now += dt
		}
		if math.Abs(now-want) > 0.004*want {
			t.Errorf("to %g m: %.4f s, want %.4f (%s)", s, now, want, row[5])
		}
		if math.Abs(x.Travel-s) > 1e-3 || x.Speed != 0 {
			t.Errorf("to %g m: stands at %.5f with %.3f m/s", s, x.Travel, x.Speed)
		}
		y := Axis{Accel: a, Decel: d}
		for left := want; left > 0; left -= dt {
			y.ForTime(left, v, dt)
		}
		if math.Abs(y.Travel-s) > 0.004*s || y.Speed > 2*d*dt {
			t.Errorf("for %.3f s: travelled %.4f m at %.4f m/s, want %g at rest", want, y.Travel, y.Speed, s)
		}
	}
}

func TestMotor(t *testing.T) {
	// Surface speed at the frequency that the reference gives for 716.197 rpm
	// with slip rpm held, on a roll of unit circumference and no gear.
	for _, row := range reference(t, "sim_motor.csv") {
		m := Motor{Diameter: 1 / math.Pi, Gear: 1, Poles: int(num(t, row[0])), Rated: num(t, row[1]), BaseHz: num(t, row[2])}
		got, want := m.Surface(num(t, row[3]))*60, num(t, row[4])
		if math.Abs(got-want) > 0.01 {
			t.Errorf("%s Hz: %.4f rpm, want %.4f (%s)", row[3], got, want, row[5])
		}
	}
	if v := (Motor{Diameter: 0.4, Gear: 25, Poles: 4, Rated: 1750, BaseHz: 60}).Surface(1); v != 0 {
		t.Errorf("below slip the roll turns at %g m/s", v)
	}
}

func TestPaper(t *testing.T) {
	for _, row := range reference(t, "sim_paper.csv") {
		d, core, cal, want := num(t, row[1]), num(t, row[2]), num(t, row[3]), num(t, row[5])
		var got float64
		switch row[0] {
		case "around":
			got = Around(d, cal, num(t, row[4]))
			if n := Wound(d, cal, got); math.Abs(n-num(t, row[4])) > 1e-9 {
				t.Errorf("Wound of Around: %g layers, want %s", n, row[4])
			}
		case "left":
			got = Supply{Outer: d, Core: core, Caliper: cal}.Left()
		case "height":
			got = CentreHeight(d, core, cal)
		case "mass":
			got = RollMass(d, core, cal, num(t, row[4]))
		default:
			t.Fatalf("row of unknown kind %q", row[0])
		}
		// Within half a unit of the last digit printed.
		_, digits, _ := strings.Cut(row[5], ".")
		if math.Abs(got-want) > 0.5001*math.Pow10(-len(digits)) {
			t.Errorf("%s %s: %.9g, want %.9g (%s)", row[0], row[1], got, want, row[6])
		}
	}
}

func TestSupplyShrinksByTheSpiral(t *testing.T) {
	s := Supply{Outer: 1, Core: 0.0762, Caliper: 0.0003}
	before := s.Left()
	for range 50 {
		if !s.Take(12.5) {
			t.Fatal("ran out")
		}
	}
	if got := before - s.Left(); math.Abs(got-625) > 1e-6 {
		t.Errorf("took %g m by diameter, want 625", got)
	}
	// Turn by turn: each turn takes a circle and a caliper on each side.
	d, length := 1.0, 0.0
	for length < 625 {
		length += math.Pi * (d - 0.0003)
		d -= 2 * 0.0003
	}
	if math.Abs(d-s.Outer) > 0.001 {
		t.Errorf("outer diameter %.5f m, turn by turn %.5f", s.Outer, d)
	}
	if s.Take(1e6) || s.Left() != 0 {
		t.Error("took more than there was")
	}
}

func TestPlateHoldsAndDips(t *testing.T) {
	p := Plate{Mass: 61e3, Power: 6000, Loss: 12, Temperature: 20, Setpoint: 170, Error: 4}
	for range 40000 {
		p.Step(0.1, 20, 0)
	}
	if math.Abs(p.Temperature-174) > 0.5 {
		t.Errorf("settles at %.2f °C with an error of 4 K", p.Temperature)
	}
	before := p.Temperature
	p.Step(0.1, 20, 122e3)
	if dip := before - p.Temperature; math.Abs(dip-2) > 0.1 {
		t.Errorf("122 kJ/m² out of 61 kJ/m²K dip it by %.2f K", dip)
	}
}
