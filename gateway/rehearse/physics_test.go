package rehearse_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/rehearse"
	"lapgate/gateway/scan"
	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/sim"
	"lapgate/sim/controller"
)

// requestOf is the request block that a controller makes of a scan.
func requestOf(n uint32, m *controller.Measurement, line *recipe.Line) handshake.Request {
	const full = 1000 // mm, of a wrapper roll
	r := handshake.Request{
		Phase: handshake.Await, Flags: handshake.AllPermissives | handshake.DimensionsValid, Permissives: line.Limits.Permissives,
		RollNo: n, Req: n, Tag: handshake.Tag(m.Tag.String()), Diameter: m.Diameter, Width: m.Width, Grade: m.Grade, Core: m.Core, Quality: m.Quality,
		UnitMode: 1, UnitState: 6, DiameterN: m.DiameterN, WidthN: m.WidthN, Diameters: m.Diameters, Widths: m.Widths,
	}
	for i := range line.Stand.Slots {
		at := line.Stand.Slots[i].Number - 1
		r.SlotsReady |= 1 << at
		r.SlotOuter[at] = full
	}
	return r
}

// offerFor sends a roll through scan, recipe and checks, and returns the payload
// of its recipe with the chances that it states; nil for a hold.
func offerFor(t *testing.T, bench *sim.Bench, line *recipe.Line, ordinal int, roll sim.Roll) ([]uint16, recipe.Risk) {
	t.Helper()
	words, rec := offerUnder(t, bench, line, ordinal, roll, 0)
	return words, rec.Risk
}

// offerUnder is offerFor with platens that are told hotter than they are by
// some kelvins.
func offerUnder(t *testing.T, bench *sim.Bench, line *recipe.Line, ordinal int, roll sim.Roll, told float64) ([]uint16, recipe.Recipe) {
	t.Helper()
	m, err := bench.Scan(ordinal, roll)
	if err != nil {
		t.Fatal(err)
	}
	var rec recipe.Recipe
	request := requestOf(uint32(ordinal), &m, line)
	cooler, hotter := bench.Platens()
	request.Platen, request.PlatenHot = uint16((cooler+told)*10+0.5), uint16((hotter+told)*10+0.5)
	measured, stand := scan.FromRequest(&request)
	recipe.Compute(line, &measured, &stand, &rec)
	if found := check.Run(line, &measured, &stand, &rec, nil, nil); recipe.Held(found) {
		return nil, rec
	}
	return payloadOf(t, roll.Tag, &request, &rec.Setpoints), rec
}

// payloadOf is the payload that carries setpoints.
func payloadOf(t *testing.T, tag string, request *handshake.Request, sp *recipe.Setpoints) []uint16 {
	t.Helper()
	p := handshake.Payload{Kind: handshake.KindRecipe, Origin: handshake.Computed, Tag: request.Tag, Diameter: request.Diameter, Width: request.Width}
	if bad := cycle.Fill(&p, sp); len(bad) > 0 {
		t.Fatalf("%s: %+v", tag, bad)
	}
	words := make([]uint16, handshake.PayloadWords)
	if err := p.Encode(words); err != nil {
		t.Fatal(err)
	}
	return words
}

// TestPhysicsJudgesRecipes sends random rolls over the range of the
// demonstration's line through scan, recipe, checks and payload, and lets the
// physics of the simulator carry each go recipe out. The simulator knows
// motors, paper and heat on its own and judges what it finds on the roll.
func TestPhysicsJudgesRecipes(t *testing.T) {
	snapshot := demo(t, nil)
	line := snapshot.Lines[0].Recipe
	fused, err := rehearse.Line(&snapshot.Lines[0])
	if err != nil {
		t.Fatal(err)
	}
	// A press knows one material: rolls with glued heads go to one that has
	// theirs, and asks for the temperature of their bond.
	glued := fused
	h := line.Materials.Head("board-plain")
	glued.Header.Thickness, glued.Header.HeadWeight, glued.Header.Start = h.Thickness, h.BasisWeight, h.Setpoint
	glued.Accept.Bond = h.BondTarget
	benches := map[recipe.Method]*sim.Bench{recipe.Fused: sim.NewBench(fused), recipe.Glued: sim.NewBench(glued)}

	enough := 500
	if testing.Short() {
		enough = 60
	}
	rng := rand.New(rand.NewPCG(3, 14))
	judged, held := map[recipe.Method]int{}, 0
	for i := 1; judged[recipe.Fused]+judged[recipe.Glued] < enough && i < 10*enough; i++ {
		roll := sim.Roll{
			Tag: fmt.Sprintf("P-%d", i), Diameter: 0.45 + 1.1*rng.Float64(), Width: 0.45 + 1.6*rng.Float64(),
			Ovality: 0.004 * rng.Float64(), Grade: 1 + rng.IntN(4), Core: 1 + rng.IntN(3),
		}
		spec, _ := line.SpecOf(&recipe.Roll{Grade: roll.Grade})
		method := line.Materials.Head(spec.Head).Method
		bench := benches[method]
		words, _ := offerFor(t, bench, line, i, roll)
		if words == nil {
			held++
			continue
		}
		verdict, err := bench.Wrap(words)
		if err != nil {
			t.Fatalf("%s: %v", roll.Tag, err)
		}
		judged[method]++
		if !verdict.Good {
			t.Errorf("%s (%.4f × %.4f m, grade %d): %s", roll.Tag, roll.Diameter, roll.Width, roll.Grade, verdict.Text())
		}
	}
	t.Logf("%d fused and %d glued wraps judged, %d rolls held", judged[recipe.Fused], judged[recipe.Glued], held)
	if n := judged[recipe.Fused] + judged[recipe.Glued]; n < enough || judged[recipe.Glued] < enough/10 {
		t.Errorf("only %d wraps were judged, %d of them glued", n, judged[recipe.Glued])
	}
}

// TestPhysicsFindsWrongRecipes holds the judge to its trade: a recipe for
// another roll is judged bad.
func TestPhysicsFindsWrongRecipes(t *testing.T) {
	snapshot := demo(t, nil)
	line := snapshot.Lines[0].Recipe
	cfg, err := rehearse.Line(&snapshot.Lines[0])
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		edit func(*recipe.Setpoints)
		want string
	}{
		{"right", func(*recipe.Setpoints) {}, ""},
		{"feed of a smaller roll", func(s *recipe.Setpoints) { s.FeedCounts -= 1000 }, "overlap"},
		{"turning drive", func(s *recipe.Setpoints) { s.TurningHz += 2 }, "feed rolls run at"},
		{"crimp drive", func(s *recipe.Setpoints) { s.CrimpTurningHz += 4 }, "crimp turns"},
		{"dwell", func(s *recipe.Setpoints) { s.HeaderDwell /= 2 }, "bond line"},
		{"roll centre", func(s *recipe.Setpoints) { s.RollCentreHeight += 0.05 }, "roll centre"},
		{"gross of a denser grade", func(s *recipe.Setpoints) { s.Gross *= 1.2 }, "scale reads"},
		{"centring", func(s *recipe.Setpoints) { s.CentringOffset = 0.09 }, "overhang on the poor side"},
		{"outer head", func(s *recipe.Setpoints) { s.OuterHead = 1.4 }, "larger than the roll"},
	} {
		t.Run(c.name, func(t *testing.T) {
			bench := sim.NewBench(cfg)
			m, err := bench.Scan(7, sim.Roll{Tag: "W-1", Diameter: 1.27, Width: 1.575, Grade: 1, Core: 1})
			if err != nil {
				t.Fatal(err)
			}
			request := requestOf(7, &m, line)
			measured, stand := scan.FromRequest(&request)
			var rec recipe.Recipe
			recipe.Compute(line, &measured, &stand, &rec)
			c.edit(&rec.Setpoints)
			verdict, err := bench.Wrap(payloadOf(t, c.name, &request, &rec.Setpoints))
			if err != nil {
				t.Fatal(err)
			}
			if why := verdict.Text(); verdict.Good != (c.want == "") || !strings.Contains(why, c.want) {
				t.Errorf("good %v, %q; want %q", verdict.Good, why, c.want)
			}
		})
	}
}
