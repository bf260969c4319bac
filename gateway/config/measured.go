package config

import (
	"reflect"
	"slices"
	"strings"
	"time"

	"lapgate/recipe"
)

// calibration is a setting on which the quality of a wrap rests and that each
// line has to measure. How is said by the tag of the setting.
type calibration struct {
	key      string // of its Measured, below the line
	of       string // key of the setting, below the line
	what     string
	measured recipe.Measured
	decides  bool // whether the line has the station for which it counts
}

// calibrations are the settings of a line that want a measurement.
func calibrations(l *line) []calibration {
	e := &l.Equipment
	turned := e.Wrap.Powered() || e.Crimp.Powered() || e.Drives.Powered()
	return []calibration{
		{"header.conductance_measured", "header.conductance", "contact conductance", l.Header.ConductanceMeasured, e.Header.Present()},
		{"header.backing_effusivity_measured", "header.backing_effusivity", "effusivity of the backing", l.Header.BackingMeasured, e.Header.Present()},
		{"glue.measured", "glue.coverage", "drying of the glue", l.Glue.Measured, e.Header.Present() && e.Glue.Present()},
		{"cradle.friction_measured", "cradle.friction", "friction on the turning rolls", l.Cradle.FrictionMeasured, turned},
		{"wrap.feed_slip_measured", "wrap.feed_slip", "slip of the feed rolls", l.Wrap.FeedSlipMeasured, e.Wrap.Powered()},
	}
}

// judged is a setting that decides over a bad wrap and whose default is a
// judgement: it counts as known once it is given.
type judged struct {
	key     string // below the line
	what    string
	decides bool
}

// judgedSettings are the settings of a line whose defaults are judgement.
func judgedSettings(l *line) []judged {
	e := &l.Equipment
	headed := e.Heads.Present() || e.Header.Present()
	return []judged{
		{"centring.tolerance", "centring error", e.Wrap.Present()},
		{"stand.width_uncertainty", "uncertainty of the wrapper width", e.Wrap.Present()},
		{"heads.size_uncertainty", "uncertainty of the head size", headed},
		{"heads.placement", "error with which a head is placed", headed},
		{"wrap.tension", "tension of the wrapper", e.Wrap.Powered()},
		{"crimp.drag", "drag of the crimpers", e.Crimp.Powered()},
	}
}

// HowMeasured tells how the value at a key is measured, which may be open; empty for
// any other key. The path is that from the top, without the numbers of elements, as in
// lines.cradle.friction.
func HowMeasured(path string) string {
	t := reflect.TypeFor[document]()
	var measure string
	for part := range strings.SplitSeq(path, ".") {
		if t.Kind() == reflect.Slice {
			t = t.Elem()
		}
		if t.Kind() != reflect.Struct {
			return ""
		}
		fs := fields(t)
		i := slices.IndexFunc(fs, func(f field) bool { return f.key == part })
		if i < 0 {
			return ""
		}
		t, measure = fs[i].typ, fs[i].measure
	}
	return measure
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
		case !m.Done() && c.decides && !d.opened[join(path, c.of)]:
			d.unmeasured = append(d.unmeasured, d.entryOf(d.where(key), key, c.what+" of line "+l.Name+" never measured", "a value of judgement", "a measurement with its date and a name", d.known.howMeasured("lines."+c.of)+"; then write "+c.key+": {at: date, by: name}"))
		}
	}
	for _, j := range judgedSettings(l) {
		key := join(path, j.key)
		if _, given := d.at[key]; given || !j.decides {
			continue
		}
		d.unmeasured = append(d.unmeasured, d.entryOf(d.where(key), key, j.what+" of line "+l.Name+" stands at its default", "a value of judgement", "a value of this line", d.known.howMeasured("lines."+j.key)+"; then write "+j.key))
	}
}
