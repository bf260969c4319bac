package controller

import (
	"testing"

	"lapgate/sim/registers"
)

// shown is the request block that a link reads after one more publication.
func shown(b *bench, g *Image) registers.View {
	b.t.Helper()
	for was := b.c.gen; b.c.gen == was; {
		b.scan()
	}
	g.Publish(b.c)
	w := g.Request()
	v := registers.In(registers.Request, w[:])
	if !v.Whole() {
		b.t.Fatal("a publication is not whole")
	}
	return v
}

// A result comes so many publications after its phase as it lags, with the last offer
// and the phase where they lag too.
func TestResultLags(t *testing.T) {
	for lag := range 11 {
		for _, q := range []Quirks{{Lag: lag}, {Lag: lag, LagOffer: true}, {Lag: lag, LagOffer: true, LagPhase: true}} {
			b, g := newBench(t), NewImage(DefaultBases())
			g.Distort(q)
			for range 12 {
				shown(b, g)
			}
			b.heartbeat()
			b.offer(1, nil, nil)
			for n := range 12 {
				v := shown(b, g)
				late := func(lags bool) uint32 {
					if lags && n < lag {
						return 0
					}
					return 1
				}
				if got, want := v.Get("result_verdict"), late(true); got != want {
					t.Fatalf("%+v: verdict %d in publication %d, want %d", q, got, n, want)
				}
				if got, want := v.Get("last_offer"), late(q.LagOffer); got != want {
					t.Fatalf("%+v: last offer %d in publication %d, want %d", q, got, n, want)
				}
				if got, want := v.Get("phase"), uint32(PhaseAwait)+late(q.LagPhase); got != want {
					t.Fatalf("%+v: phase %d in publication %d, want %d", q, got, n, want)
				}
			}
		}
	}
}

// Verdict 0 stands beside the name of an offer for one publication.
func TestLateVerdict(t *testing.T) {
	b, g := newBench(t), NewImage(DefaultBases())
	g.Distort(Quirks{LateVerdict: true})
	shown(b, g)
	b.offer(1, nil, nil)
	for n, want := range []uint32{0, 1, 1} {
		if v := shown(b, g); v.Get("result_offer") != 1 || v.Get("result_verdict") != want {
			t.Errorf("publication %d: offer %d, verdict %d, want %d", n, v.Get("result_offer"), v.Get("result_verdict"), want)
		}
	}
}

// A false number stands in one publication, or in each.
func TestFalseNumbers(t *testing.T) {
	for _, forGood := range []bool{false, true} {
		b, g := newBench(t), NewImage(DefaultBases())
		g.Distort(Quirks{From: 2, RollBack: 1, Jump: 70, ForGood: forGood})
		if v := shown(b, g); v.Get("roll_no") != 1 || v.Get("outcomes_produced") != 0 {
			t.Fatalf("before its roll: %d, %d", v.Get("roll_no"), v.Get("outcomes_produced"))
		}
		b.enter()
		for n := range 3 {
			roll, produced := uint32(2), uint32(1)
			if n == 0 || forGood {
				roll, produced = 1, 71
			}
			if v := shown(b, g); v.Get("roll_no") != roll || v.Get("outcomes_produced") != produced {
				t.Errorf("for good %t, publication %d: roll %d, produced %d, want %d, %d", forGood, n, v.Get("roll_no"), v.Get("outcomes_produced"), roll, produced)
			}
		}
	}
}

// A strict controller answers whole blocks of its own and one to three entries of the
// ring, takes whole blocks of the gateway, and nothing else.
func TestStrictAreas(t *testing.T) {
	g := NewImage(DefaultBases())
	g.Distort(Quirks{Strict: true})
	for _, c := range []struct {
		addr  uint16
		count int
		read  bool
		write bool
	}{
		{1000, 96, true, false},
		{1000, 95, false, false},
		{1001, 95, false, false},
		{1200, 40, true, false},
		{1240, 120, true, false},
		{1200, 160, false, false},
		{1210, 40, false, false},
		{1200 + 62*40, 80, true, false},
		{1200 + 63*40, 80, false, false},
		{4200, 80, true, false},
		{4000, 10, false, true},
		{4000, 20, false, false},
		{4010, 10, false, true},
		{4030, 80, false, true},
		{4030, 40, false, false},
		{4120, 14, false, true},
		{4140, 10, false, true},
	} {
		if _, err := g.Read(c.addr, c.count); (err == nil) != c.read {
			t.Errorf("read of %d at %d: %v", c.count, c.addr, err)
		}
		if err := g.Write(c.addr, make([]uint16, c.count)); (err == nil) != c.write {
			t.Errorf("write of %d at %d: %v", c.count, c.addr, err)
		}
	}
}
