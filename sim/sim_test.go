package sim

import (
	"context"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/sim/controller"
	"lapgate/sim/internal/standin"
	"lapgate/sim/physics"
)

// demoShift is a made-up shift of 40 rolls for the slots of DefaultConfig, three
// of which call for a hold.
func demoShift(seed uint64) []Roll {
	c := DefaultConfig()
	return c.Shift(seed, 40)
}

// thumb gives setpoints by a few rules of thumb from what the request shows.
func thumb(c *Config) func(*standin.Request, []uint16) uint16 {
	return func(r *standin.Request, p []uint16) uint16 {
		d, w := float64(r.Diameter)/1e4, float64(r.Width)/1e4
		switch {
		case r.ScanAge > 12000:
			return 4
		case r.Permissives != 0x3F:
			return 6
		}
		slot, best := -1, 0.025
		for i, s := range c.Stand.Slots {
			if off := math.Abs((s.Width-w)/2 - 0.127); off < best && r.SlotsReady>>(s.Number-1)&1 == 1 {
				slot, best = i, off
			}
		}
		if slot < 0 {
			return 7
		}
		s := c.Stand.Slots[slot]
		feed := math.Pi*3*(d+3*s.Caliper) + 0.1524
		outer := d + 6*s.Caliper
		turn, v, a := 1.25*math.Pi*outer, 0.4, 0.25
		head := 0.0
		for _, h := range c.Heads {
			if h <= d {
				head = h
			}
		}
		hz := func(v float64) uint16 {
			rpm := v/(math.Pi*0.4)*60*25 + 50
			return uint16(math.Round(rpm * 4 / 120 * 100))
		}
		mass := physics.RollMass(d, c.core(int(r.Words[37])).Diameter, w, c.grade(int(r.Words[36])).Density)
		p[33], p[34] = uint16(s.Number), uint16(math.Round(s.Width*1e4))
		copy(p[35:], standin.Two(uint32(math.Round(feed*1e4))))
		copy(p[37:], standin.Two(uint32(math.Ceil(feed*2000))))
		p[39], p[40], p[41] = 300, 1524, 600
		p[42], p[43] = hz(0.6), hz(0.6)
		p[44], p[45] = 125, uint16(math.Ceil((turn/v+v/a+2)*100))
		p[46], p[47] = hz(v), hz(v)
		p[53], p[54] = 1767, 420
		p[59], p[67] = 1680, 1850
		p[56] = uint16(math.Floor(head * 1e3))
		copy(p[60:], standin.Two(uint32(mass*10)))
		p[64] = 300
		p[66] = 1<<0 | 1<<1 | 1<<2 | 1<<4 | 1<<5 | 1<<7
		return 0
	}
}

// shift runs a shift with the stand-in over memory, in virtual time.
func shift(t *testing.T, cfg Config) (*Report, *standin.Gateway) {
	t.Helper()
	cfg.Modbus.Addr = ""
	var rep *Report
	var g *standin.Gateway
	synctest.Test(t, func(t *testing.T) {
		s, err := New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		g = &standin.Gateway{Line: s.Image(), Fill: thumb(&cfg)}
		ctx, stop := context.WithCancel(t.Context())
		go func() {
			poll := time.NewTicker(100 * time.Millisecond)
			defer poll.Stop()
			for {
				select {
				case <-ctx.Done():
					return
				case <-poll.C:
					g.Poll()
				}
			}
		}()
		rep, err = s.Run(t.Context())
		stop()
		if err != nil {
			t.Error(err)
		}
	})
	return rep, g
}

func TestDemoShift(t *testing.T) {
	cfg := DefaultConfig()
	cfg.Rolls = demoShift(1)
	rep, g := shift(t, cfg)
	if err := rep.Err(); err != nil {
		t.Error(err)
	}
	if len(rep.Rolls) != 40 || len(g.Seen) != 40 {
		t.Errorf("%d rolls left, %d outcomes seen, want 40", len(rep.Rolls), len(g.Seen))
	}
	if good, judged := rep.Good(); good != judged || judged != 39 {
		t.Errorf("%d of %d wraps are good, want 39 of 39", good, judged)
	}
	if n := rep.Count(controller.Removed); n != 1 {
		t.Errorf("%d rolls removed, want the one that no wrapper fits", n)
	}
	want := map[uint16]int{7: 1, 4: 1, 6: 1}
	for _, r := range rep.Rolls {
		for _, h := range r.Holds {
			want[h]--
		}
	}
	for h, n := range want {
		if n != 0 {
			t.Errorf("hold %d came %d times too few", h, n)
		}
	}
	if rep.Took > 40 {
		t.Errorf("took %g s of simulated wall time", rep.Took)
	}
	t.Logf("%g s, %d accepted, %d held, %d rejected", rep.Took, rep.Accepted, rep.Held, rep.Rejected)
}

// faultMarks says how often each fault left its mark; a shift without faults has
// one hold each for supply, a stale scan and a permissive, one roll removed, one
// boot.
func faultMarks() map[string]func(*Report) int {
	reason := func(all func(*RollReport) []uint16, want uint16) func(*Report) int {
		return func(r *Report) (n int) {
			for i := range r.Rolls {
				for _, got := range all(&r.Rolls[i]) {
					if got == want {
						n++
					}
				}
			}
			return n
		}
	}
	holds := func(r *RollReport) []uint16 { return r.Holds }
	rejections := func(r *RollReport) []uint16 { return r.Rejections }
	return map[string]func(*Report) int{
		restart:        func(r *Report) int { return r.Boots - 1 },
		restartCleared: func(r *Report) int { return r.Boots - 1 },
		memoryLost:     func(r *Report) int { return r.MemoryLosses },
		permissiveDrop: func(r *Report) int { return r.Rejected },
		wrongEcho:      reason(rejections, 12),
		staleScan:      func(r *Report) int { return reason(holds, 4)(r) - 1 },
		noWrapper:      func(r *Report) int { return reason(holds, 7)(r) - 1 },
		manualMode:     func(r *Report) int { return r.Count(controller.ByHand) },
		// One that waits may be accepted before the sensor is sure that it is gone.
		removeRoll: func(r *Report) int { return r.Count(controller.Removed) - 1 + r.Count(controller.Aborted) },
		rollGone:   func(r *Report) int { return r.Count(controller.Aborted) },
		aborted:    func(r *Report) int { return r.Count(controller.Aborted) },
	}
}

// Every fault occurs, leaves its mark, and the shift ends all the same.
func TestEveryFaultEnds(t *testing.T) {
	marks := faultMarks()
	for i, f := range append(SimulatedFaults(), SimulatedFault{Name: "all"}) {
		switch f.Name {
		case cutLink, blackHole, lateReply, exception:
			continue // faults of a network, which memory has not
		}
		t.Run(f.Name, func(t *testing.T) {
			cfg := DefaultConfig()
			cfg.Rolls = cfg.Shift(uint64(i), 8)
			cfg.Faults = FaultConfig{Names: []string{f.Name}, Count: 4, Seed: uint64(i)}
			rep, g := shift(t, cfg)
			if err := rep.Err(); err != nil {
				t.Error(err)
			}
			if len(rep.Rolls) != 8 {
				t.Errorf("%d rolls left, want 8", len(rep.Rolls))
			}
			occurred := 0
			for _, c := range rep.Faults {
				occurred += c.Occurred
			}
			if occurred == 0 {
				t.Error("the fault never occurred")
			}
			if mark := marks[f.Name]; mark != nil && (mark(rep) < 1 || mark(rep) > occurred) {
				t.Errorf("occurred %d times, seen %d times", occurred, mark(rep))
			}
			if restarted := f.Name == restart || f.Name == restartCleared || f.Name == memoryLost; restarted {
				if w, err := g.Line.Read(1005, 2); err != nil || w[0] != 0 || w[1] > 5000 {
					t.Errorf("tick %04X after a restart: it did not begin anew", w)
				}
			}
			t.Logf("faults %v; %g s, %d accepted, %d held, %d rejected, by hand %d, removed %d, aborted %d", rep.Faults, rep.Took,
				rep.Accepted, rep.Held, rep.Rejected, rep.Count(controller.ByHand), rep.Count(controller.Removed), rep.Count(controller.Aborted))
		})
	}
}
