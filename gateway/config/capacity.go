package config

import (
	"math"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// capacity is the greatest value that a field of the wire can hold, by the
// configured limit that bounds what goes into it. A value that does not fit
// its field is an error of the configuration, never clamped.
type capacity struct {
	key   string // below lines.N
	field string // as the handshake names it
	unit  quantity.Dimension
	step  float64 // held value of one count
	most  float64 // counts
	value func(*recipe.Line) recipe.Range
}

const (
	word     = math.MaxUint16
	longword = math.MaxUint32
)

// capacities lists the limits by field of the payload, and for the measured
// dimensions by the samples of the request.
func capacities() []capacity {
	frequency := func(d recipe.Drive) recipe.Range { return d.Limits }
	return []capacity{
		{"limits.diameter", "diameter samples, 0.1 mm", quantity.Length, 0.0001, word, func(l *recipe.Line) recipe.Range { return l.Limits.Diameter }},
		{"limits.width", "width samples, 0.1 mm", quantity.Length, 0.0001, word, func(l *recipe.Line) recipe.Range { return l.Limits.Width }},
		{"limits.feed_length", "feed length, 0.1 mm", quantity.Length, 0.0001, longword, func(l *recipe.Line) recipe.Range { return l.Limits.FeedLength }},
		{"limits.crimp_time", "crimp time, 10 ms", quantity.Time, 0.01, word, func(l *recipe.Line) recipe.Range { return l.Limits.CrimpTime }},
		{"limits.crimp_turns", "crimp turns × 100", quantity.None, 0.01, word, func(l *recipe.Line) recipe.Range { return l.Limits.CrimpTurns }},
		{"limits.header_temperature", "header temperature, 0.1 °C", quantity.Temperature, 0.1, word, func(l *recipe.Line) recipe.Range { return l.Limits.Temperature }},
		{"limits.header_dwell", "header dwell, 10 ms", quantity.Time, 0.01, word, func(l *recipe.Line) recipe.Range { return l.Limits.Dwell }},
		{"limits.crimper_position", "crimper position, 0.1 mm", quantity.Length, 0.0001, word, func(l *recipe.Line) recipe.Range { return l.Limits.CrimperPos }},
		{"limits.crimper_pressure", "crimper pressure, kPa", quantity.Pressure, 1000, word, func(l *recipe.Line) recipe.Range { return l.Limits.CrimperPres }},
		{"limits.platen_stroke", "platen stroke, 0.1 mm", quantity.Length, 0.0001, word, func(l *recipe.Line) recipe.Range { return l.Limits.Stroke }},
		{"limits.contact_pressure", "platen contact pressure, 0.1 kPa", quantity.Pressure, 100, word, func(l *recipe.Line) recipe.Range { return l.Limits.Contact }},
		{"limits.glue_mass", "glue, g", quantity.Mass, 0.001, word, func(l *recipe.Line) recipe.Range { return l.Limits.Glue }},
		{"limits.gross", "gross mass expected, 0.1 kg", quantity.Mass, 0.1, longword, func(l *recipe.Line) recipe.Range { return l.Limits.Gross }},
		{"drives.turning.frequency", "turning drive, 0.01 Hz", quantity.Frequency, 0.01, word, func(l *recipe.Line) recipe.Range { return frequency(l.Drives.Turning) }},
		{"drives.feed.frequency", "feed drive, 0.01 Hz", quantity.Frequency, 0.01, word, func(l *recipe.Line) recipe.Range { return frequency(l.Drives.Feed) }},
		{"drives.crimper.frequency", "crimper drive, 0.01 Hz", quantity.Frequency, 0.01, word, func(l *recipe.Line) recipe.Range { return frequency(l.Drives.Crimper) }},
	}
}

// maxHead is the greatest head that the payload holds, in whole millimetres.
const maxHead = word * 0.001

// maxVacuumZones is the number of bits of the payload's vacuum zones.
const maxVacuumZones = 16

// fits checks the limits of a line against the fields that carry them.
func (d *decoder) fits(l *line, path string, units *Units) {
	for _, c := range capacities() {
		key := join(path, c.key)
		if !d.good(key) {
			continue
		}
		r, most := c.value(&l.Line), c.step*c.most
		show := func(v float64) string { return quantity.Round(v, c.unit, units.For(c.unit), 4) }
		if r.Max > most {
			d.problem(d.where(key), key, "limit does not fit its field on the wire ("+c.field+")", show(r.Max), "at most "+show(most), "lower the greatest limit")
		}
		if r.Min < 0 {
			d.problem(d.where(key), key, "limit does not fit its field on the wire ("+c.field+")", show(r.Min), "at least "+show(0), "raise the least limit")
		}
	}
	counts, feed := join(path, "wrap.counts_per_metre"), join(path, "limits.feed_length")
	if n := l.Limits.FeedLength.Max * l.Wrap.CountsPerMetre; d.good(counts, feed) && n > longword {
		d.problem(d.given(feed, counts), feed, "encoder counts of the greatest feed length do not fit their field on the wire", quantity.Round(n, quantity.None, "", 0), "at most "+quantity.Round(longword, quantity.None, "", 0), "lower the limit or wrap.counts_per_metre")
	}
}
