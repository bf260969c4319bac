package handshake_test

import (
	"math"
	"testing"

	"lapgate/gateway/handshake"
)

// TestNumbersOfFields: a number of a field is the same in the payload, among its
// words and in SI, at the ends of its range too.
func TestNumbersOfFields(t *testing.T) {
	for _, f := range handshake.SetpointFields() {
		bottom, top := f.Range()
		for _, n := range []int64{bottom, 0, 1, 33, 400, 2000, top} {
			var p handshake.Payload
			f.Put(&p, n)
			words := make([]uint16, handshake.PayloadWords)
			if err := p.Encode(words); err != nil {
				t.Fatal(err)
			}
			if f.Get(&p) != n || f.Number(words) != n {
				t.Errorf("%s: %d became %d in the payload, %d in its words", f.Name, n, f.Get(&p), f.Number(words))
			}
			f.PutNumber(words, n)
			if f.Number(words) != n {
				t.Errorf("%s: %d put among the words reads %d", f.Name, n, f.Number(words))
			}
			if back, ok := f.Nearest(f.SI(n)); !ok || back != n {
				t.Errorf("%s: %d is %g in SI, and back %d, %v", f.Name, n, f.SI(n), back, ok)
			}
		}
		for _, n := range []float64{float64(bottom) - 0.51, float64(top) + 0.51, math.NaN(), math.Inf(1)} {
			if got, ok := f.Nearest(n / f.PerSI()); ok {
				t.Errorf("%s: %g became %d", f.Name, n, got)
			}
		}
	}
}

// TestSIOfFields: what a unit of the wire is in SI.
func TestSIOfFields(t *testing.T) {
	want := map[string]float64{
		"wrapper_slot": 33, "wrapper_width_m": 0.0033, "wrap_speed_m_s": 0.033, "turning_hz": 0.33, "crimp_time_s": 0.33,
		"crimper_pressure_pa": 33000, "contact_pressure_pa": 3300, "header_temperature_c": 3.3, "inner_head_m": 0.033,
		"glue_mass_kg": 0.033, "gross_kg": 3.3, "scale_tolerance": 0.0033, "layers": 0.33, "centring_offset_m": 0.0033,
	}
	for _, f := range handshake.SetpointFields() {
		if v, ok := want[f.Setpoint]; ok && f.SI(33) != v {
			t.Errorf("%s: 33 × %g %s is %g in SI, want %g", f.Name, f.Scale, f.Unit, f.SI(33), v)
		}
		delete(want, f.Setpoint)
	}
	for name := range want {
		t.Errorf("no field carries %s", name)
	}
}
