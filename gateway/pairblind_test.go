package gateway_test

import (
	"testing"
	"time"

	"lapgate/gateway/lease/leasetest"
	"lapgate/gateway/link/memory"
	"lapgate/gateway/record"
)

// TestPairBlindLetsGo: a machine that cannot reach the controller, while the other one does, lets
// that one act, whether the way drops or cuts.
func TestPairBlindLetsGo(t *testing.T) {
	for name, way := range map[string]memory.Kind{"cut": memory.Cut, "dropped": memory.BlackHole} {
		t.Run(name, func(t *testing.T) {
			inPair(t, 8, func(t *testing.T, _ *bench, e *leasetest.Engine, one, two *machine) {
				heal := one.blind(way)
				<-time.After(8 * time.Second)
				if one.acts() == two.acts() || two.acts() {
					t.Error("the line moved at once")
				}
				until(t, 15*time.Second, "the other acts", func() bool { return two.acts() && two.count(record.KindSession) > 0 })
				heal()
				<-time.After(30 * time.Second)
				if one.acts() || !two.acts() || e.Moves() != 2 {
					t.Errorf("the line moved %d times", e.Moves()-1)
				}
			})
		})
	}
}

// TestPairBlindKeeps: where neither machine reaches the controller, or the other one would not
// take over armed, or the engine is silent, the line stays where it is.
func TestPairBlindKeeps(t *testing.T) {
	for name, also := range map[string]func(t *testing.T, e *leasetest.Engine, two *machine) (heal func()){
		"controller off": func(_ *testing.T, _ *leasetest.Engine, two *machine) func() { return two.blind(memory.Cut) },
		"engine away": func(_ *testing.T, e *leasetest.Engine, _ *machine) func() {
			e.Away(true)
			return func() { e.Away(false) }
		},
		"other off": func(t *testing.T, _ *leasetest.Engine, two *machine) func() {
			if err := two.stop(); err != nil {
				t.Error(err)
			}
			return two.begin
		},
	} {
		t.Run(name, func(t *testing.T) {
			inPair(t, 4, func(t *testing.T, _ *bench, e *leasetest.Engine, one, two *machine) {
				heal := one.blind(memory.Cut)
				with := also(t, e, two)
				<-time.After(time.Minute)
				if !one.acts() {
					t.Error("the line was let go")
				}
				with()
				heal()
				<-time.After(30 * time.Second)
				if !one.acts() || e.Moves() != 1 {
					t.Errorf("the line moved %d times", e.Moves()-1)
				}
			})
		})
	}
}
