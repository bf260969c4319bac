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

// thermocouple is how the contact and the backing of a press are measured.
const thermocouple = "press a head with a thermocouple at its bond line: one curve gives the conductance early and the effusivity of the backing late"

// calibrations are the settings of a line that want a measurement.
func calibrations(l *line) []calibration {
	e := &l.Equipment
	turned := e.Wrap.Powered() || e.Crimp.Powered() || e.Drives.Powered()
	return []calibration{
		{"header.conductance_measured", "contact conductance", l.Header.ConductanceMeasured, e.Header.Present(), thermocouple},
		{"header.backing_effusivity_measured", "effusivity of the backing", l.Header.BackingMeasured, e.Header.Present(), thermocouple},
		{"glue.measured", "drying of the glue", l.Glue.Measured, e.Header.Present() && e.Glue.Present(),
			"weigh what the glue lays down and what is left of it when it is dry"},
		{"cradle.friction_measured", "friction on the turning rolls", l.Cradle.FrictionMeasured, turned,
			"raise the acceleration of a wrapped roll on worn and dusty turning rolls until it slips"},
		{"wrap.feed_slip_measured", "slip of the feed rolls", l.Wrap.FeedSlipMeasured, e.Wrap.Powered(),
			"compare the encoder with a measured length of wrapper on several rolls"},
	}
}

// judged is a setting that decides over a bad wrap and whose default is a
// judgement: it counts as known once it is given.
type judged struct {
	key     string // below the line
	what    string
	decides bool
	remedy  string
}

// judgedSettings are the settings of a line whose defaults are judgement.
func judgedSettings(l *line) []judged {
	e := &l.Equipment
	headed := e.Heads.Present() || e.Header.Present()
	return []judged{
		{"centring.tolerance", "centring error", e.Wrap.Present(), "measure the overhang on both ends of some rolls"},
		{"stand.width_uncertainty", "uncertainty of the wrapper width", e.Wrap.Present(), "measure the width of some wrapper rolls"},
		{"heads.size_uncertainty", "uncertainty of the head size", headed, "measure some heads of one size"},
		{"heads.placement", "error with which a head is placed", headed, "measure how far some heads lie off the axis"},
		{"wrap.tension", "tension of the wrapper", e.Wrap.Powered(), "pull a wrapper off its braked stand with a spring balance"},
		{"crimp.drag", "drag of the crimpers", e.Crimp.Powered(), "compare the drive's torque with and without the crimpers"},
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
	for _, j := range judgedSettings(l) {
		key := join(path, j.key)
		if _, given := d.at[key]; given || !j.decides {
			continue
		}
		d.unmeasured = append(d.unmeasured, d.entryOf(d.where(key), key, j.what+" of line "+l.Name+" stands at its default", "a value of judgement", "a value of this line", j.remedy+"; then write "+j.key))
	}
}
