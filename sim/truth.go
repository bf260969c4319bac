package sim

import (
	"math"
	"math/rand/v2"

	"lapgate/sim/controller"
)

// truth is what is true of the wrap of one roll and known to nobody.
type truth struct {
	conductance, effusivity, thickness, conductivity float64 // times the nominal value
	start                                            float64 // K
	diameterRead, widthRead                          float64 // m that the scanner reads too much
	wrapperWidth, headSize                           float64 // m more than nominal
	placement                                        [2]float64
	damp                                             float64 // kg of water more in each kg of paper
}

// draw gives what is true of the roll of an ordinal. Each roll has random
// numbers of its own.
func (c *Config) draw(ordinal int) truth {
	const stream = 0x7217
	rng := rand.New(rand.NewPCG(c.Seed^stream<<40, uint64(ordinal)))
	s := &c.Spread
	// A factor keeps its sign however far out it is drawn.
	factor := func(u float64) float64 { return max(1+u*rng.NormFloat64(), 0.05) }
	v := truth{
		conductance: factor(s.Conductance), effusivity: factor(s.Effusivity),
		thickness: factor(s.HeadThickness), conductivity: factor(s.Conductivity),
		start:        s.Start * rng.NormFloat64(),
		diameterRead: s.Diameter * rng.NormFloat64(), widthRead: s.Width * rng.NormFloat64(),
		wrapperWidth: s.WrapperWidth * rng.NormFloat64(), headSize: s.HeadSize * rng.NormFloat64(),
	}
	for i := range v.placement {
		v.placement[i] = s.HeadPlacement * (2*rng.Float64() - 1)
	}
	return v
}

// strangeTag are bytes that a scanner of tags may give, the same for each scan of a
// roll: of every second roll any, of the others text up to a zero and any behind it.
func (c *Config) strangeTag(ordinal int) (tag controller.Tag) {
	const stream = 0x7A65
	rng := rand.New(rand.NewPCG(c.Seed^stream<<40, uint64(ordinal)))
	for i := range tag {
		tag[i] = byte(rng.Uint32())
	}
	if ordinal%2 == 0 {
		const letters = "ROLL-7"
		copy(tag[:], letters)
		tag[len(letters)] = 0
	}
	return tag
}

// ends are the mean diameters of the roll at its two ends.
func (r *Roll) ends() (smaller, larger float64) {
	by := math.Abs(r.Taper) * r.Width / 2
	return r.Diameter - by, r.Diameter + by
}

// smallest is the smallest diameter of the roll at either end, and largest the
// largest.
func (r *Roll) smallest() float64 { smaller, _ := r.ends(); return smaller * (1 - r.Ovality/2) }
func (r *Roll) largest() float64  { _, larger := r.ends(); return larger * (1 + r.Ovality/2) }

// telescoped is how far one end of the roll stands out, m, at a share of the way
// from the core to the edge. The roll is wider there by as much.
func (r *Roll) telescoped(share float64) float64 { return r.Telescoping * share * share }

// sheetWidth is how wide the wrapper truly is.
func (s *station) sheetWidth() float64 {
	return s.hangs(s.job.slot).Width + s.truth.wrapperWidth
}

// measure scans the roll. The samples differ from scan to scan. A sample comes
// from the same sensor on every roll: those of the diameter stand in a row from
// the left end to the right, each under an angle of its own; those of the width
// stand from the core to the edge.
func (s *station) measure(tick uint32) controller.Measurement {
	s.scans++
	rng := rand.New(rand.NewPCG(s.cfg.Seed^s.scans<<32, uint64(s.ordinal)))
	r, scanner := s.roll, &s.cfg.Scanner
	m := controller.Measurement{
		Tag: controller.TagOf(r.Tag), Grade: uint16(r.Grade), Core: uint16(r.Core),
		Quality: uint16(scanner.Quality), Valid: true, Tick: tick,
	}
	if r.Quality > 0 {
		m.Quality = uint16(r.Quality)
	}
	if s.cfg.StrangeTags {
		m.Tag = s.cfg.strangeTag(s.ordinal)
	}
	m.DiameterN, m.WidthN = uint16(len(m.Diameters)), uint16(len(m.Widths))
	dmm := func(v float64) uint16 { return uint16(math.Round(v * 1e4)) }
	faults := rand.New(rand.NewPCG(s.cfg.Seed^s.scans<<32^0xD127<<40, uint64(s.ordinal)))
	turned, sum, given := rng.Float64()*math.Pi, 0.0, 0.0
	for i := range m.Diameters {
		const sensors = float64(len(m.Diameters))
		along := (float64(i)+0.5)/sensors - 0.5 // of the width, from its middle
		// Neighbouring sensors look from very different angles, so that an oval
		// roll does not read as a tapered one.
		angle := turned + float64(i)*5*math.Pi/sensors
		d := (r.Diameter+r.Taper*r.Width*along)*(1+r.Ovality/2*math.Cos(2*angle)) + s.truth.diameterRead + scanner.DiameterNoise*clampNormal(rng)
		if d = s.trouble.misread(i, d, faults); d > 0 {
			m.Diameters[i] = dmm(d)
			sum, given = sum+d, given+1
		}
	}
	m.Diameter = uint32(dmm(sum / max(given, 1)))
	sum = 0
	for i := range m.Widths {
		share := float64(i+1) / float64(len(m.Widths)) // the last one looks at the edge
		w := r.Width + r.telescoped(share) + s.truth.widthRead + scanner.WidthNoise*clampNormal(rng)
		m.Widths[i] = dmm(w)
		sum += w
	}
	m.Width = uint32(dmm(sum / float64(len(m.Widths))))
	return m
}
