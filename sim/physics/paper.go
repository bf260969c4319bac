package physics

import "math"

// Wound is how far paper of some length reaches around a roll: full layers and
// the part of the next, laid circle by circle, each at its mid-caliper.
func Wound(diameter, caliper, paper float64) float64 {
	layers := 0.0
	for d := diameter + caliper; ; d += 2 * caliper {
		circle := math.Pi * d
		if paper < circle {
			return layers + max(paper, 0)/circle
		}
		paper -= circle
		layers++
	}
}

// Around is the paper that a number of layers take up, the inverse of Wound.
func Around(diameter, caliper, layers float64) float64 {
	sum := 0.0
	for d := diameter + caliper; layers > 0; d += 2 * caliper {
		part := min(layers, 1)
		sum += part * math.Pi * d
		layers -= part
	}
	return sum
}

// Damp is the heat capacity of damp paper, J/kgK: that of the dry, of the water
// in it, kg for each kg, and of the part of the water that leaves while the
// paper is pressed.
func Damp(dry, water float64) float64 {
	const (
		waterCapacity = 4186.0
		leaves        = 1.0 / 3 // of the water (J)
		rise          = 150.0   // K over which it leaves (J)
	)
	return dry + water*waterCapacity + Evaporation(100)*leaves*water/rise
}

// Supply is a wrapper roll on the stand.
type Supply struct {
	Outer   float64 // m
	Core    float64 // m
	Caliper float64 // m
}

// Left is the length on it: what a cross-section of its area unrolls to.
func (s Supply) Left() float64 {
	return math.Pi * (s.Outer*s.Outer - s.Core*s.Core) / (4 * s.Caliper)
}

// Take unrolls a length and reports whether there was that much.
func (s *Supply) Take(length float64) bool {
	sq := s.Outer*s.Outer - 4*s.Caliper*length/math.Pi
	if sq < s.Core*s.Core {
		s.Outer = s.Core
		return false
	}
	s.Outer = math.Sqrt(sq)
	return true
}

// RollMass is the mass of paper between core and outer diameter.
func RollMass(diameter, core, width, density float64) float64 {
	return math.Pi / 4 * (diameter*diameter - core*core) * width * density
}

// CentreHeight is the height of a roll's centre over the axes of the two
// turning rolls it lies on; NaN when it falls through.
func CentreHeight(diameter, turning, spacing float64) float64 {
	reach := (diameter + turning) / 2
	return math.Sqrt(reach*reach - spacing*spacing/4)
}
