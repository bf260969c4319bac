package notice_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"lapgate/recipe/notice"
)

// line makes rolls as a line has them: sound, with every standing error at the
// end of what is allowed, until a fault is put in.
type line struct {
	rng    *rand.Rand
	number uint32
	at     time.Time
	sign   float64 // of the standing errors
	reels  [6]float64
	thick  [6]float64 // of the paper, over the caliper
	fault  func(*notice.Roll)
}

func newLine(seed uint64, sign float64) *line {
	l := &line{rng: rand.New(rand.NewPCG(seed, 1)), at: time.Unix(0, 0), sign: sign}
	for i := range l.reels {
		l.reels[i], l.thick[i] = 1.2, 1+sign*0.04
	}
	return l
}

const caliper = 0.0003

func (l *line) compared(expected, u, standing float64) notice.Compared {
	return notice.Compared{Expected: expected, Measured: expected + l.sign*2*standing + u*l.rng.NormFloat64(), U: u, Standing: standing}
}

func (l *line) roll() *notice.Roll {
	l.number++
	l.at = l.at.Add(90 * time.Second)
	d := 0.8 + 0.6*l.rng.Float64()
	r := &notice.Roll{
		Number: l.number, At: l.at, Setpoint: 176.7, Allowed: 3, Platen: 176.7 - 3 + 2*l.rng.NormFloat64(), Slot: 1 + l.rng.IntN(6),
		Weighing: l.compared(900, 4, 1), Others: []float64{12, -15, 3}, Overhang: l.compared(0.127, 0.004, 0.001),
		Pressure: l.compared(4e6, 1e5, 2e4), Drawn: 3.2 * d * 3,
	}
	r.Feed = l.compared(r.Drawn, 0.003*r.Drawn, 0.002*r.Drawn)
	oval, taper, turn := 0.006*d*l.rng.Float64(), 0.002*l.rng.NormFloat64(), l.rng.Float64()*math.Pi
	// Of a narrow roll the outer positions see nothing.
	beside := l.rng.IntN(3)
	for i := range 12 {
		if i < beside || i >= 12-beside || l.rng.Float64() < 0.02 {
			r.Samples = append(r.Samples, 0)
			continue
		}
		v := d + oval/2*math.Cos(2*(turn+float64(i)*math.Pi/12)) + taper*float64(i)/12 + 0.0004*l.rng.NormFloat64()
		r.Samples = append(r.Samples, v+l.sign*0.0005*float64(i%2))
	}
	for i := range l.reels {
		if l.reels[i] < 0.2 {
			l.reels[i] = 1.2
			r.Hung = append(r.Hung, i+1)
		}
		r.Reels = append(r.Reels, notice.Reel{Slot: i + 1, Outer: l.reels[i] + 0.002*l.rng.NormFloat64(), OuterU: 0.002, Caliper: caliper, CaliperStanding: 0.02})
	}
	if l.fault != nil {
		l.fault(r)
	}
	o := &l.reels[r.Slot-1]
	*o = math.Sqrt(*o**o - 4*caliper*l.thick[r.Slot-1]*r.Drawn/math.Pi)
	return r
}

// Sound rolls, all of them at the worst that still counts as sound, have fewer
// than one finding in a thousand over all codes.
func TestFalseAlarms(t *testing.T) {
	const rolls = 200_000
	total := 0
	for _, sign := range []float64{-1, 0, 1} {
		var w notice.Watch
		l, by := newLine(7, sign), map[notice.Code]int{}
		for range rolls {
			for _, f := range w.Add(l.roll()) {
				if !f.Ended {
					by[f.Code]++
					total++
				}
			}
		}
		t.Logf("standing errors at %+.0f of what is allowed: %v in %d rolls", sign, by, rolls)
	}
	if rate := 1000 * float64(total) / (3 * rolls); rate >= 1 {
		t.Errorf("%.3f false findings in a thousand sound rolls, want below 1", rate)
	} else {
		t.Logf("%.4f false findings in a thousand sound rolls", rate)
	}
}
