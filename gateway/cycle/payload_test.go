package cycle_test

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// exampleSetpoints are those of the worked example of the handshake, 4.3, in
// SI.
func exampleSetpoints() recipe.Setpoints {
	return recipe.Setpoints{
		Groups: 0xFF, Slot: 2, WrapperWidth: 1.85, Layers: 3, FeedLength: 11.9433, FeedCounts: 23887, Overlap: 0.15,
		WrapSpeed: 0.6, TurningHz: 25.54, FeedHz: 31.20, CrimpTurns: 1.25, CrimpTime: 11.90, CrimpTurningHz: 17.02,
		CrimperHz: 28.90, CrimperPressure: 6.9e6, RollCentreHeight: 0.7668, CrimperPosition: 0.6252, PlatenStroke: 0.41,
		ContactPressure: 10300, HeaderTemperature: 176.7, HeaderDwell: 6.5, CloseMin: 168, CloseMax: 185, InnerHead: 1.25, OuterHead: 1.219,
		VacuumZones: 0x3F, GlueMass: 0.085, Gross: 1571.2, Tare: 23.1, ScaleTolerance: 0.015, CentringOffset: -0.0012,
	}
}

// TestFillWorkedExample encodes the worked example from setpoints in SI. The
// words are those of the handshake, 4.3.
func TestFillWorkedExample(t *testing.T) {
	p := handshake.Payload{
		Session: handshake.Session{Epoch: 7, Nonce: 0x9E3779B9}, Boot: 41, Req: 1205, RollNo: 1190, Offer: 3,
		Kind: handshake.KindRecipe, Origin: handshake.Computed, ConfigHash: 0x1F2E3D4C, Tag: "R2026-001190", Diameter: 12504, Width: 16020,
	}
	s := exampleSetpoints()
	if bad := cycle.Fill(&p, &s); len(bad) > 0 {
		t.Fatalf("findings %+v", bad)
	}
	words := make([]uint16, handshake.PayloadWords)
	if err := p.Encode(words); err != nil {
		t.Fatal(err)
	}
	want := []uint16{
		0x5041, 0x0002, 0x0000, 0x0007, 0x9E37, 0x79B9, 0x0000, 0x0029, 0x0000, 0x04B5, 0x0000, 0x04A6,
		0x0003, 0x0001, 0x0000, 0x0001, 0x0000, 0x0000, 0x0000, 0x1F2E, 0x3D4C, 0x5232, 0x3032, 0x362D,
		0x3030, 0x3131, 0x3930, 0x0000, 0x0000, 0x0000, 0x30D8, 0x0000, 0x3E94, 0x0002, 0x4844, 0x0001,
		0xD289, 0x0000, 0x5D4F, 0x012C, 0x05DC, 0x0258, 0x09FA, 0x0C30, 0x007D, 0x04A6, 0x06A6, 0x0B4A,
		0x1AF4, 0x1DF4, 0x186C, 0x1004, 0x0067, 0x06E7, 0x028A, 0x04E2, 0x04C3, 0x003F, 0x0055, 0x0690,
		0x0000, 0x3D60, 0x0000, 0x00E7, 0x0096, 0xFFF4, 0x00FF, 0x073A, 0x0000, 0x0000, 0x0000, 0x0000,
		0x0000, 0x0000, 0x0000, 0x0000, 0x0000, 0x0000, 0x35F0, 0x69FF,
	}
	for i := range want {
		if words[i] != want[i] {
			t.Errorf("register %d is %04X, want %04X", i, words[i], want[i])
		}
	}
}

// TestFillRefuses: a value that does not fit is a hold that names the field,
// and never another number.
func TestFillRefuses(t *testing.T) {
	for _, c := range []struct {
		field string
		bad   func(*recipe.Setpoints)
	}{
		{"feed_length_m", func(s *recipe.Setpoints) { s.FeedLength = -0.001 }},
		{"feed_length_m", func(s *recipe.Setpoints) { s.FeedLength = math.Inf(1) }},
		{"feed_counts", func(s *recipe.Setpoints) { s.FeedCounts = 1 << 32 }},
		{"header_dwell_s", func(s *recipe.Setpoints) { s.HeaderDwell = math.NaN() }},
		{"header_dwell_s", func(s *recipe.Setpoints) { s.HeaderDwell = 655.36 }},
		{"header_temperature_c", func(s *recipe.Setpoints) { s.HeaderTemperature = -0.1 }},
		{"wrapper_width_m", func(s *recipe.Setpoints) { s.WrapperWidth = 6.5536 }},
		{"wrapper_slot", func(s *recipe.Setpoints) { s.Slot = -1 }},
		{"centring_offset_m", func(s *recipe.Setpoints) { s.CentringOffset = 3.2768 }},
		{"centring_offset_m", func(s *recipe.Setpoints) { s.CentringOffset = -3.2769 }},
		{"crimper_pressure_pa", func(s *recipe.Setpoints) { s.CrimperPressure = 6.6e7 }},
	} {
		s := exampleSetpoints()
		c.bad(&s)
		var p handshake.Payload
		bad := cycle.Fill(&p, &s)
		if len(bad) != 1 || bad[0].Field != c.field || bad[0].Severity != recipe.Hold || bad[0].Code != cycle.CodeDoesNotFit {
			t.Errorf("%s: findings %+v", c.field, bad)
		}
	}
}

// TestFillKeepsValues: whatever fits is within half a unit of the wire.
func TestFillKeepsValues(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := exampleSetpoints()
		s.FeedLength = rapid.Float64Range(-1, 5e5).Draw(t, "feed")
		s.HeaderDwell = rapid.Float64Range(-1, 700).Draw(t, "dwell")
		s.CentringOffset = rapid.Float64Range(-4, 4).Draw(t, "centring")
		s.Gross = rapid.Float64Range(0, 5e8).Draw(t, "gross")
		var p handshake.Payload
		refused := map[string]bool{}
		for _, f := range cycle.Fill(&p, &s) {
			refused[f.Field] = true
		}
		for _, c := range []struct {
			field      string
			want, unit float64
			got        float64
		}{
			{"feed_length_m", s.FeedLength, 1e-4, float64(p.FeedLength)},
			{"header_dwell_s", s.HeaderDwell, 1e-2, float64(p.Dwell)},
			{"centring_offset_m", s.CentringOffset, 1e-4, float64(p.Centring)},
			{"gross_kg", s.Gross, 0.1, float64(p.Gross)},
		} {
			if !refused[c.field] && math.Abs(c.got*c.unit-c.want) > c.unit*0.5001 {
				t.Fatalf("%s: %g became %g", c.field, c.want, c.got*c.unit)
			}
		}
	})
}

// TestSetpointsOf: a payload tells the setpoints that it was filled from.
func TestSetpointsOf(t *testing.T) {
	want := exampleSetpoints()
	var p handshake.Payload
	if bad := cycle.Fill(&p, &want); len(bad) > 0 {
		t.Fatalf("findings %+v", bad)
	}
	if got := record.SetpointsOf(&p); got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

// TestBothHalvesOfASetpoint: what the recipe tells the line stands in the
// payload, and what the payload carries is a setpoint of the recipe.
func TestBothHalvesOfASetpoint(t *testing.T) {
	fields := map[string]handshake.SetpointField{}
	for _, f := range handshake.SetpointFields() {
		if _, ok := fields[f.Setpoint]; ok {
			t.Errorf("%s stands twice in the payload", f.Setpoint)
		}
		fields[f.Setpoint] = f
	}
	dimension := map[string]quantity.Dimension{
		"": quantity.None, "%": quantity.None, "mm": quantity.Length, "s": quantity.Time, "°C": quantity.Temperature, "Hz": quantity.Frequency,
		"kPa": quantity.Pressure, "g": quantity.Mass, "kg": quantity.Mass, "mm/s": quantity.Speed,
	}
	for _, p := range recipe.AllSetpoints() {
		f, ok := fields[p.Name]
		delete(fields, p.Name)
		if ok == p.Derived {
			t.Errorf("%s: derived %v, in the payload %v", p.Name, p.Derived, ok)
		}
		if !ok {
			continue
		}
		if d, known := dimension[f.Unit]; !known || d != p.Dimension {
			t.Errorf("%s: unit %q of the payload is no %q", p.Name, f.Unit, p.Dimension)
		}
		if f.Bits && 16*f.Words != recipe.MaxZones {
			t.Errorf("%s: %d registers for %d zones", p.Name, f.Words, recipe.MaxZones)
		}
		if f.Bits != (p.Form == recipe.Bits) || p.Form == recipe.Whole && f.PerSI() != 1 {
			t.Errorf("%s: form %v in the recipe, bits %v and %v to one in the payload", p.Name, p.Form, f.Bits, f.PerSI())
		}
	}
	for name := range fields {
		t.Errorf("the payload carries %s, which is no setpoint of the recipe", name)
	}
}

// TestOverridable: what can be overridden is what the controller is sent.
func TestOverridable(t *testing.T) {
	var want []string
	for _, f := range handshake.SetpointFields() {
		want = append(want, f.Setpoint)
	}
	if got := cycle.Overridable(); !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}
