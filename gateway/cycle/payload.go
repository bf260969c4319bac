package cycle

import (
	"fmt"
	"math"

	"lapgate/gateway/handshake"
	"lapgate/recipe"
)

// Fill writes the setpoints into the payload in the units of the wire, each
// rounded to the nearest. A value that does not fit its field (negative, too
// large, not a number) is not clamped: it comes back as a hold, and the
// payload must not be sent.
func Fill(p *handshake.Payload, s *recipe.Setpoints) []recipe.Finding {
	f := fitter{}
	p.Groups = uint16(s.Groups)
	p.Slot = f.u16("wrapper_slot", float64(s.Slot), 1)
	p.WrapperWidth = f.u16("wrapper_width_m", s.WrapperWidth, perTenthMM)
	p.FeedLength = f.u32("feed_length_m", s.FeedLength, perTenthMM)
	p.FeedCounts = f.u32("feed_counts", float64(s.FeedCounts), 1)
	p.Layers = f.u16("layers", s.Layers, 100)
	p.Overlap = f.u16("overlap_m", s.Overlap, perTenthMM)
	p.WrapSpeed = f.u16("wrap_speed_m_s", s.WrapSpeed, 1000)
	p.TurningHz = f.u16("turning_hz", s.TurningHz, 100)
	p.FeedHz = f.u16("feed_hz", s.FeedHz, 100)
	p.CrimpTurns = f.u16("crimp_turns", s.CrimpTurns, 100)
	p.CrimpTime = f.u16("crimp_time_s", s.CrimpTime, 100)
	p.CrimpTurningHz = f.u16("crimp_turning_hz", s.CrimpTurningHz, 100)
	p.CrimperHz = f.u16("crimper_hz", s.CrimperHz, 100)
	p.CrimperPressure = f.u16("crimper_pressure_pa", s.CrimperPressure, 1e-3)
	p.RollCentre = f.u16("roll_centre_height_m", s.RollCentreHeight, perTenthMM)
	p.CrimperPosition = f.u16("crimper_position_m", s.CrimperPosition, perTenthMM)
	p.PlatenStroke = f.u16("platen_stroke_m", s.PlatenStroke, perTenthMM)
	p.ContactPressure = f.u16("contact_pressure_pa", s.ContactPressure, 1e-2)
	p.Temperature = f.u16("header_temperature_c", s.HeaderTemperature, 10)
	p.Dwell = f.u16("header_dwell_s", s.HeaderDwell, 100)
	p.InnerHead = f.u16("inner_head_m", s.InnerHead, 1000)
	p.OuterHead = f.u16("outer_head_m", s.OuterHead, 1000)
	p.Zones = s.VacuumZones
	p.Glue = f.u16("glue_mass_kg", s.GlueMass, 1000)
	p.Gross = f.u32("gross_kg", s.Gross, 10)
	p.Tare = f.u32("tare_kg", s.Tare, 10)
	p.ScaleTolerance = f.u16("scale_tolerance", s.ScaleTolerance, 1e4)
	p.Centring = f.i16("centring_offset_m", s.CentringOffset, perTenthMM)
	return f.bad
}

const perTenthMM = 1e4

// fitter scales values and collects those that do not fit.
type fitter struct{ bad []recipe.Finding }

func (f *fitter) u16(field string, v, scale float64) uint16 {
	return uint16(f.fit(field, v, scale, 0, math.MaxUint16))
}

func (f *fitter) u32(field string, v, scale float64) uint32 {
	return uint32(f.fit(field, v, scale, 0, math.MaxUint32))
}

func (f *fitter) i16(field string, v, scale float64) int16 {
	return int16(f.fit(field, v, scale, math.MinInt16, math.MaxInt16))
}

func (f *fitter) fit(field string, v, scale, least, most float64) float64 {
	n := math.Round(v * scale)
	if n >= least && n <= most {
		return n
	}
	f.bad = append(f.bad, recipe.Finding{
		Code: CodeDoesNotFit, Severity: recipe.Hold, Field: field,
		Got: fmt.Sprintf("%g", v), Limit: fmt.Sprintf("%g to %g", least/scale, most/scale),
		Text: field + " does not fit its field in the payload; correct the limits of the line so that it cannot be computed",
	})
	return 0
}
