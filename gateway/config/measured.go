package config

import (
	"time"

	"lapgate/recipe"
)

// calibration is a setting on which the quality of a wrap rests and that each
// line has to measure.
type calibration struct {
	key      string // of its Measured, below the line
	what     string
	measured recipe.Measured
	decides  bool // whether the line has the station for which it counts
	remedy   string
}

// calibrations are the settings of a line that want a measurement.
func calibrations(l *line) []calibration {
	e := &l.Equipment
	return []calibration{
		{"header.conductance_measured", "contact conductance", l.Header.ConductanceMeasured, e.Header.Present(),
			"press a head with a thermocouple at its bond line; one curve gives the conductance early and the effusivity of the backing late"},
	}
}

// checkCalibrated checks the entries of measurements, and lists the settings
// that decide over the quality of a wrap and that nobody measured.
func (d *decoder) checkCalibrated(l *line, path string) {
	for _, c := range calibrations(l) {
		key := join(path, c.key)
		at, by := join(key, "at"), join(key, "by")
		if !d.good(key, at, by) {
			continue
		}
		m := c.measured
		switch _, err := time.Parse(time.DateOnly, m.At); {
		case m.At != "" && err != nil:
			d.problem(d.where(at), at, "not a date", quoted(m.At), "year, month and day, as in 2026-03-01", "write the day of the measurement")
		case m.At != "" && m.By == "":
			d.problem(d.where(key), by, "measurement without a name", "nothing", "a name", "write who measured, or remove the entry")
		case m.At == "" && m.By != "":
			d.problem(d.where(key), at, "measurement without a date", "nothing", "year, month and day, as in 2026-03-01", "write the day of the measurement, or remove the entry")
		case !m.Done() && c.decides:
			d.unmeasured = append(d.unmeasured, d.entryOf(d.where(key), key, c.what+" of line "+l.Name+" never measured", "a value of judgement", "a measurement with its date and a name", c.remedy+"; then write "+c.key+": {at: date, by: name}"))
		}
	}
}
