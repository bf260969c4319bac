package recipe

import "math"

// The overhang o of a wrapper on a roll of radius R lies flat on the end
// between R and R − o. At a radius r the circumference is short of the paper's
// length by 2π·(R − r), which the pleats take up; at the folded edge that is
// 2π·o. A crimper wheel with B blades on a circle of diameter d strikes B
// times a turn, so that with its tip speed q times the surface speed of the
// roll the pleats are P = π·d/(B·q) apart on the rim. A pleat then takes up
// P·(R − r)/R: laid flat it covers half of that with three thicknesses in
// place of one. All of it is flat geometry, with the few layers of wrapper
// neglected against R.

// Pleats is the folded end of a roll. Lengths are in m.
type Pleats struct {
	PerTurn  float64 // pleats struck in one turn of the roll
	Gathered float64 // length taken up at the folded edge in one turn
	Each     float64 // of it by one pleat
	Depth    float64 // width of one pleat laid flat at the folded edge
	Spacing  float64 // of the pleats at the folded edge
	Mean     float64 // thicknesses of wrapper at the folded edge, in the mean
	Most     float64 // and where they lie thickest
}

// strikeRatio is the speed of the crimper tips over that of the roll's surface
// for a pitch of the pleats on the rim. ok is false for numbers that make no
// pleats.
func strikeRatio(diameter float64, blades int, pitch float64) (ratio float64, ok bool) {
	if !positive(diameter) || blades < 1 || !positive(pitch) {
		return 0, false
	}
	return math.Pi * diameter / float64(blades) / pitch, true
}

// Pleats is the folded end of a wrapped roll at an overhang, by the pitch of
// its specification. ok is false where the line has no crimper wheel or the
// numbers make no fold.
func (l *Line) Pleats(spec *Spec, diameter, overhang float64) (p Pleats, ok bool) {
	radius, layers, pitch := diameter/2, spec.Layers, spec.PleatPitch
	if l.Crimp.Blades <= 0 || !positive(radius) || !(overhang >= 0 && overhang < radius) || !positive(layers) || !positive(pitch) {
		return Pleats{}, false
	}
	inner := radius - overhang
	p = Pleats{
		PerTurn:  2 * math.Pi * radius / pitch,
		Gathered: 2 * math.Pi * overhang,
		Each:     pitch * overhang / radius,
		Spacing:  pitch * inner / radius,
		Mean:     layers * radius / inner,
		Most:     layers,
	}
	p.Depth = p.Each / 2
	if overhang > 0 {
		// A pleat adds two thicknesses; where they are wider than apart they
		// lie on one another.
		p.Most = layers * (1 + 2*math.Ceil(p.Depth/p.Spacing*(1-1e-12)))
	}
	return p, true
}
