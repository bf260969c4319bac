// Package cradle is the statics and the slip limit of a roll that lies on two
// turning rolls.
//
// # Geometry
//
// A roll of diameter D lies on turning rolls of diameter d whose axes are c
// apart at one height. The line of centres to each makes the contact angle φ
// with the vertical, sin φ = c/(D + d), and the roll centre is
// h = √(((D + d)/2)² − (c/2)²) above the axes of the turning rolls. At rest
// each contact carries N = m·g/(2·cos φ).
//
// # Slip
//
// The roll turns in place, so a surface acceleration a is an angular one of
// a/R. With the moment of inertia of a roll solid down to its bore of radius
// r, ½·m·(R² + r²), the contacts must pass on a tangential force of
//
//	T = κ·m·a,  κ = ½·(1 + (r/R)²)
//
// in sum. The core itself and the idling roll, where there is one, are
// neglected; so are rolling and bearing friction. T also has to be held in
// place by the normal forces: along x, y the forces of contact 1, where the
// surface of the accelerated roll sinks, and contact 2, where it rises, give
//
//	N₂ − N₁ = T·cot φ
//	(N₁ + N₂)·cos φ + (T₂ − T₁)·sin φ = m·g
//
// so that acceleration relieves contact 1 and loads contact 2, and stopping
// does the opposite. No contact slips while |Tᵢ| ≤ μ·Nᵢ and none lifts while
// N₁ ≥ 0.
//
// Both rolls driven alike, T₁ = T₂ = T/2. Contact 1 slips first, and before
// it could lift:
//
//	T = μ·m·g / (cos φ + μ·cos φ·cot φ)
//
// Stopping is the mirror image and has the same limit. (Letting contact 1
// creep would bring more, up to μ·m·g/(cos φ·(1 + μ²)), but it would scuff
// the wrapper.)
//
// One roll driven, the other idling, T is all at one contact. On the side
// that T loads, and on the side that it relieves,
//
//	T = μ·m·g / (2·cos φ − μ·cos φ·(cot φ − tan φ)),  at most m·g·sin φ, where contact 1 lifts
//	T = μ·m·g / (2·cos φ + μ·cos φ·(cot φ − tan φ))
//
// A denominator of zero or less means that friction alone never lets go; on
// the relieved side that is a roll wedged deep between the turning rolls.
//
// The mass cancels: the limit of a is T/(κ·m), divided by the safety factor.
//
// A force F that drags at the surface, of a braked wrapper or of crimpers,
// uses up grip while the roll speeds up: with A = T/(m·g) at the limit and the
// safety factor s,
//
//	a = (A·g/s − F/m)/κ
//
// While the roll slows down F helps, for which no credit is taken.
package cradle

import (
	"math"

	"lapgate/recipe/wording"
)

// StandardGravity is the acceleration of free fall, m/s² (by definition).
const StandardGravity = 9.80665

// Driven tells which turning rolls are driven.
type Driven uint8

// What is driven: both rolls with equal torque, or the one at which the
// surface of the roll rises or sinks in the sense of turning.
const (
	Both Driven = iota
	Rising
	Sinking
)

// Cradle is a pair of turning rolls.
type Cradle struct {
	RollDiameter float64 // d, m
	Spacing      float64 // c, of the axes, m
	Friction     float64 // μ between roll and turning rolls
	Safety       float64 // factor on the slip limit, from 1
	Driven       Driven
}

// Fault is why a roll cannot lie on the cradle.
type Fault uint8

// Faults.
const (
	BadDiameter Fault = 1 + iota
	BadBore
	BadCradle
	BadFriction
	BadSafety
	Overlap
	FallsThrough
	NoGrip
)

func (f Fault) Error() string { return f.Said().String() }

// Said is the fault in words.
func (f Fault) Said() wording.Said {
	switch f {
	case BadDiameter:
		return wording.Say("fault.cradle.bad-diameter")
	case BadBore:
		return wording.Say("fault.cradle.bad-bore")
	case BadCradle:
		return wording.Say("fault.cradle.bad-cradle")
	case BadFriction:
		return wording.Say("fault.cradle.bad-friction")
	case BadSafety:
		return wording.Say("fault.cradle.bad-safety")
	case Overlap:
		return wording.Say("fault.cradle.overlap")
	case NoGrip:
		return wording.Say("fault.cradle.no-grip")
	case FallsThrough:
		return wording.Say("fault.cradle.falls-through")
	}
	return wording.Say("fault.cradle")
}

func positive(v float64) bool { return v > 0 && !math.IsInf(v, 1) }

// Seat is how a roll lies on the cradle.
type Seat struct {
	Height float64 // of the roll centre above the axes of the turning rolls, m
	Angle  float64 // contact angle φ from the vertical, rad
	Share  float64 // normal force of one contact at rest over the weight, 1/(2·cos φ)
	Accel  float64 // greatest surface acceleration without slip, m/s², with the safety factor; +Inf when friction never lets go
	Decel  float64 // greatest deceleration likewise
	// Inertia is κ: the tangential force of an acceleration over m·a.
	Inertia float64
}

// Height of the roll centre above the axes of the turning rolls, m, and the
// contact angle, rad.
func (c *Cradle) Height(diameter float64) (height, angle float64, err error) {
	switch {
	case !positive(diameter):
		return 0, 0, BadDiameter
	case !positive(c.RollDiameter) || !positive(c.Spacing):
		return 0, 0, BadCradle
	case c.RollDiameter >= c.Spacing:
		return 0, 0, Overlap
	case diameter+c.RollDiameter <= c.Spacing*(1+1e-9): // decimals that should be equal count as equal
		return 0, 0, FallsThrough
	}
	sum := diameter + c.RollDiameter
	// (s − c)(s + c) keeps its digits where the roll all but falls through.
	height = math.Sqrt((sum-c.Spacing)*(sum+c.Spacing)) / 2
	return height, math.Atan2(c.Spacing/2, height), nil
}

// Seat tells how a roll of a diameter, m, with a bore, m (0 for a solid one),
// lies on the cradle. The error is a Fault.
func (c *Cradle) Seat(diameter, bore float64) (Seat, error) {
	h, angle, err := c.Height(diameter)
	if err != nil {
		return Seat{}, err
	}
	switch {
	case !(bore >= 0) || bore >= diameter:
		return Seat{}, BadBore
	case !positive(c.Friction):
		return Seat{}, BadFriction
	case !(c.Safety >= 1) || math.IsInf(c.Safety, 1):
		return Seat{}, BadSafety
	}
	sum := diameter + c.RollDiameter
	sin, cos := c.Spacing/sum, 2*h/sum
	s := Seat{Height: h, Angle: angle, Share: 1 / (2 * cos)}
	// Forces over the weight.
	var loaded, relieved float64
	switch mu := c.Friction; c.Driven {
	case Rising, Sinking:
		lean := mu * cos * (cos/sin - sin/cos)
		loaded = math.Min(limit(mu, 2*cos-lean), sin)
		relieved = limit(mu, 2*cos+lean)
	default:
		loaded = limit(mu, cos+mu*cos*cos/sin)
		relieved = loaded
	}
	ratio := bore / diameter
	scale := StandardGravity / (0.5 * (1 + ratio*ratio)) / c.Safety
	s.Accel, s.Decel = loaded*scale, relieved*scale
	if c.Driven == Sinking {
		s.Accel, s.Decel = s.Decel, s.Accel
	}
	s.Inertia = 0.5 * (1 + ratio*ratio)
	return s, nil
}

// Pulled is the limit of the acceleration under a drag at the surface, as
// force over the mass of the roll, m/s². The error is NoGrip when the drag
// leaves none, or is no number from zero up.
func (s *Seat) Pulled(drag float64) (float64, error) {
	a := s.Accel - drag/s.Inertia
	if !(drag >= 0) || !(a > 0) {
		return 0, NoGrip
	}
	return a, nil
}

func limit(mu, denominator float64) float64 {
	if denominator <= 0 {
		return math.Inf(1)
	}
	return mu / denominator
}

// Flags are what is to be said about how a roll lies.
type Flags uint8

// Flags.
const (
	Narrow        Flags = 1 << iota // width over diameter below the limit
	Tippy                           // stability angle below the limit
	ShortForCrimp                   // narrower than the least spacing of the crimpers
)

// Stance is the limits for narrow and large rolls. All are judgement and so
// settings; a quarter and 10° are a cautious start.
type Stance struct {
	MinRatio       float64 // least width over diameter
	MinAngle       float64 // least stability angle, rad
	CrimperSpacing float64 // least distance of the crimpers, m
}

// Tilt is how far a roll is from tipping over its edge.
type Tilt struct {
	Ratio float64 // width over diameter
	Angle float64 // by which the roll can lean along its axis before it tips, rad
	Flags Flags
}

// Tilt judges a roll of a diameter and a width, m. Its centre of mass stands
// R·cos φ above the lines of contact, whose ends are half a width away, so it
// tips when it leans by more than atan(width/(2·R·cos φ)). The error is a
// Fault; a width that is not positive gives the angle 0 and all flags.
func (c *Cradle) Tilt(diameter, width float64, limits Stance) (Tilt, error) {
	_, angle, err := c.Height(diameter)
	if err != nil {
		return Tilt{}, err
	}
	if !positive(width) {
		return Tilt{Flags: Narrow | Tippy | ShortForCrimp}, nil
	}
	t := Tilt{Ratio: width / diameter, Angle: math.Atan2(width, diameter*math.Cos(angle))}
	if !(t.Ratio >= limits.MinRatio) {
		t.Flags |= Narrow
	}
	if !(t.Angle >= limits.MinAngle) {
		t.Flags |= Tippy
	}
	if !(width >= limits.CrimperSpacing) {
		t.Flags |= ShortForCrimp
	}
	return t, nil
}
