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

func TestPressAgainstHalfSpace(t *testing.T) {
	const platen, start, x = 176.6666667, 20.0, 0.0003
	for _, h := range []float64{150, 300, 450, 1000} {
		p := NewPress(h, paper, x, paper, 0.03, start)
		now := 0.0
		for range 2000 {
			p.Step(0.005, platen)
			now += 0.005
			if now < 0.5 {
				continue
			}
			want := start + (platen-start)*theta(x, h, now)
			if got := p.Bond(); math.Abs(got-want) > 0.25 {
				t.Fatalf("h %g after %.2f s: bond %.3f °C, closed form %.3f", h, now, got, want)
			}
		}
	}
}

// The dwell table holds the time to 120 °C at the bond line for both bounds.
func TestPressReachesBondInReferenceTime(t *testing.T) {
	for _, row := range reference(t, "sim_press.csv") {
		h, x := num(t, row[0]), num(t, row[1])
		platen, start, target := num(t, row[2]), num(t, row[3]), num(t, row[4])
		for i, depth := range []float64{0.06, 0} {
			want := num(t, row[5+i])
			p := NewPress(h, paper, x, paper, depth, start)
			now := 0.0
			for p.Bond() < target && now < 60 {
				p.Step(0.002, platen)
				now += 0.002
			}
			if math.Abs(now-want) > 0.006*want+0.002 {
				t.Errorf("h %g, backing %g m: %.3f s, want %.3f (%s)", h, depth, now, want, row[7])
			}
		}
	}
}

func TestPressTakesTheHeatItGains(t *testing.T) {
	p := NewPress(800, paper, 0.0003, Solid{0.1, 800, 1350}, 0.01, 20)
	drawn := 0.0
	for range 500 {
		drawn += p.Step(0.01, 170)
	}
	gained := 0.0
	for i := range p.t {
		gained += p.c[i] * (p.t[i] - 20)
	}
	if math.Abs(drawn-gained) > 1e-6*gained {
		t.Errorf("drawn %g J/m², gained %g", drawn, gained)
	}
	if f := p.Face(170); f <= p.Bond() || f >= 170 {
		t.Errorf("face %.1f °C is not between bond %.1f and platen", f, p.Bond())
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

func TestPlatenHoldsAndDips(t *testing.T) {
	p := Platen{Mass: 30000, Power: 6000, Loss: 8, Temperature: 20, Setpoint: 170}
	for range 20000 {
		p.Step(0.1, 20, 0)
	}
	if math.Abs(p.Temperature-170) > 0.5 {
		t.Errorf("settles at %.2f °C", p.Temperature)
	}
	before := p.Temperature
	p.Step(0.1, 20, 60000)
	if dip := before - p.Temperature; dip < 1 || dip > 2.1 {
		t.Errorf("60 kJ out of 30 kJ/K dip it by %.2f K", dip)
	}
}
