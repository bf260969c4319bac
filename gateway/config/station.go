package config

import (
	"strconv"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// checkSettings finds settings of stations that would hold every roll, or that
// make no sense together.
func (d *decoder) checkSettings(doc *document, l *line, path string) {
	key := func(k string) string { return join(path, k) }
	write := func(v float64, dim quantity.Dimension) string {
		return quantity.Round(v, dim, doc.Units.For(dim), 3)
	}
	span := func(r recipe.Range, dim quantity.Dimension) string {
		return write(r.Min, dim) + ".." + write(r.Max, dim)
	}
	e := &l.Equipment
	held := " of line " + l.Name + ", which will hold every roll"

	exponent, calibrated := key("header.pressure_exponent"), key("header.calibrated_pressure")
	if d.good(exponent, calibrated) && l.Header.Exponent > 0 && l.Header.Calibrated.Min <= 0 {
		d.problem(d.given(calibrated, exponent), calibrated, "conductance calibrated down to no pressure", span(l.Header.Calibrated, quantity.Pressure), "a least pressure above "+write(0, quantity.Pressure), "write the least pressure of the calibration, or pressure_exponent: 0")
	}
	if limit := key("limits.header_temperature"); d.good(limit) && l.Limits.Temperature.Max > recipe.HottestPlaten {
		d.problem(d.where(limit), limit, "limit of the platens above any that may be", span(l.Limits.Temperature, quantity.Temperature), "at most "+write(recipe.HottestPlaten, quantity.Temperature), "lower the greatest: paper takes fire not far above, and no setting can raise this")
	}
	d.checkConductance(l, path)
	pressure, most := key("crimp.pressure"), key("limits.crimper_pressure")
	if p := l.Crimp.Pressure; e.Crimp.Powered() && d.good(pressure, most) && p > 0 && !l.Limits.CrimperPres.Contains(p) {
		d.warning(d.given(pressure, most), pressure, "outside the limits"+held, write(p, quantity.Pressure), span(l.Limits.CrimperPres, quantity.Pressure), "change it or "+most)
	}
	stroke, gap, width := key("limits.platen_stroke"), key("header.open_gap"), key("limits.width")
	if longest := l.Header.OpenGap + (l.Limits.Width.Max-l.Limits.Width.Min)/2; e.Header.Powered() && d.good(stroke, gap, width) && longest > l.Limits.Stroke.Max {
		d.warning(d.given(stroke, gap, width), stroke, "less than the stroke to the narrowest roll, which line "+l.Name+" will hold", write(l.Limits.Stroke.Max, quantity.Length), "at least "+write(longest, quantity.Length), "raise it, lower header.open_gap, or narrow limits.width")
	}
	target, offset := key("centring.target"), key("limits.centring_offset")
	if t, most := l.Centring.Target, l.Limits.Centring; e.Centring.Powered() && d.good(target, offset) && (t > most || t < -most) {
		d.warning(d.given(target, offset), target, "outside the limits"+held, write(t, quantity.Length), "at most "+write(most, quantity.Length)+" either way", "change it or "+offset)
	}
	d.checkSpeed(l, path)
}

// checkSpeed warns of a wrap speed that the turning or the feed drive may not
// run at.
func (d *decoder) checkSpeed(l *line, path string) {
	speed := join(path, "wrap.speed")
	if !l.Equipment.Drives.Powered() || !l.Equipment.Wrap.Present() || !d.good(speed, join(path, "wrap.draw"), join(path, "drives")) {
		return
	}
	for _, x := range [...]struct {
		name    string
		drive   *recipe.Drive
		surface float64
	}{
		{"turning", &l.Drives.Turning, l.Wrap.Speed},
		{"feed", &l.Drives.Feed, l.Wrap.Speed * (1 + l.Wrap.Draw)},
	} {
		at := join(path, "drives."+x.name)
		if !d.good(at+".gear", at+".diameter", at+".poles", at+".rated_speed", at+".base_frequency", at+".frequency") {
			continue
		}
		motor := x.drive.Motor()
		hz, flags, err := motor.Frequency(x.surface)
		if err != nil || !flags.Outside() {
			continue
		}
		show := func(v float64) string { return strconv.FormatFloat(v, 'f', 2, 64) + " Hz" }
		d.warning(d.given(speed, at+".frequency", at+".gear"), speed, "makes the "+x.name+" drive of line "+l.Name+" run outside its frequencies, which will hold every roll", show(hz), show(motor.MinHz)+".."+show(motor.MaxHz), "change it, or correct drives."+x.name)
	}
}

// checkConductance warns of a conductance that is known too badly. One that
// nobody measured is told among the settings without a measurement.
func (d *decoder) checkConductance(l *line, path string) {
	u, h := join(path, "header.conductance_uncertainty"), join(path, "header.conductance")
	share := l.Header.ConductanceU / l.Header.Conductance
	if !l.Equipment.Header.Powered() || !d.good(u, h) || share <= 0.2*(1+1e-9) {
		return
	}
	got := strconv.FormatFloat(100*share, 'f', 0, 64) + " %"
	const remedy = "take one thermocouple curve at a bond line"
	switch {
	case share > 0.3*(1+1e-9):
		d.warning(d.given(u, h), u, "conductance too uncertain for line "+l.Name+", which will hold every roll with a head", got, "at most 30 %, better 20 %", remedy)
	case l.Header.ConductanceMeasured.Done():
		d.warning(d.given(u, h), u, "conductance so uncertain that dwells get long", got, "at most 20 %", remedy)
	}
}
