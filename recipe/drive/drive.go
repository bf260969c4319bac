// Package drive turns surface speeds into converter frequencies and back, for
// an induction motor on a frequency converter that turns a roll through a
// gear.
//
// A motor of p poles on f hertz turns at 2f/p turns a second less its slip.
// At constant volts per hertz the slip in turns a second, not per unit, stays
// what the load makes it; the slip at rated load is used for every speed:
//
//	f = p/2 · (n + s),  n = v·gear/(π·D),  s = 2·f_base/p − n_rated
//
// A converter that compensates slip adds s itself, and the frequency set is
// p/2 · n. Quantities are SI; turns are counted per second.
package drive

import (
	"math"

	"lapgate/recipe/wording"
)

// Motor is a motor with its gear, its converter and the roll that it turns.
type Motor struct {
	Diameter    float64 // of the driven roll, m
	Gear        float64 // turns of the motor per turn of the roll
	Poles       int     // even, from 2
	Rated       float64 // speed at rated load, turns/s
	BaseHz      float64 // frequency of the rated speed, Hz
	MinHz       float64 // frequencies that the drive may run, both included
	MaxHz       float64
	CoolingHz   float64 // below it a motor cooled by its own fan runs hot; 0 for none
	Compensates bool    // the converter adds the slip itself
}

// Fault is why no frequency can be given.
type Fault uint8

// Faults of a motor or of what was asked of it.
const (
	BadSpeed Fault = 1 + iota
	BadFrequency
	BadDiameter
	BadGear
	BadPoles
	BadRated
	BadBase
	BadLimits
)

func (f Fault) Error() string { return f.Said().String() }

// Said is the fault in words.
func (f Fault) Said() wording.Said {
	switch f {
	case BadSpeed:
		return wording.Say("fault.drive.bad-speed")
	case BadFrequency:
		return wording.Say("fault.drive.bad-frequency")
	case BadDiameter:
		return wording.Say("fault.drive.bad-diameter")
	case BadGear:
		return wording.Say("fault.drive.bad-gear")
	case BadPoles:
		return wording.Say("fault.drive.bad-poles")
	case BadRated:
		return wording.Say("fault.drive.bad-rated")
	case BadBase:
		return wording.Say("fault.drive.bad-base")
	case BadLimits:
		return wording.Say("fault.drive.bad-limits")
	}
	return wording.Say("fault.drive")
}

// Flags are what is to be said about a frequency.
type Flags uint8

// Flags. The first two are outside what the drive may run.
const (
	BelowMin Flags = 1 << iota
	AboveMax
	BelowCooling // runs hot when it runs long
	AboveBase    // torque falls with speed
)

// Outside reports whether the frequency is one that the drive may not run.
func (f Flags) Outside() bool { return f&(BelowMin|AboveMax) != 0 }

// Synchronous is the speed of the field, turns/s, 2f/p.
func Synchronous(hz float64, poles int) float64 { return 2 * hz / float64(poles) }

func positive(v float64) bool { return v > 0 && !math.IsInf(v, 1) }

// Check returns the first Fault of the motor, or nil. A rated speed equal to
// the synchronous one, as of a synchronous motor, has no slip.
func (m *Motor) Check() error {
	switch {
	case !positive(m.Diameter):
		return BadDiameter
	case !positive(m.Gear):
		return BadGear
	case m.Poles < 2 || m.Poles%2 != 0:
		return BadPoles
	case !positive(m.BaseHz):
		return BadBase
	case !positive(m.Rated) || m.Rated > Synchronous(m.BaseHz, m.Poles)*(1+1e-12):
		return BadRated
	case !(m.MinHz >= 0) || !(m.MaxHz >= m.MinHz) || !(m.CoolingHz >= 0):
		return BadLimits
	}
	return nil
}

// Slip at rated load, turns/s, that the frequency must make up for: zero when
// the converter does.
func (m *Motor) Slip() float64 {
	if m.Compensates {
		return 0
	}
	return math.Max(0, Synchronous(m.BaseHz, m.Poles)-m.Rated)
}

// motorSpeed is the speed of the motor, turns/s, at a surface speed, m/s.
func (m *Motor) motorSpeed(surface float64) float64 {
	return surface * m.Gear / (math.Pi * m.Diameter)
}

// Frequency gives the frequency, Hz, for a surface speed of the roll, m/s,
// and what is to be said about it. Standstill is 0 Hz without flags. The
// frequency is given as computed also when it is outside the limits.
func (m *Motor) Frequency(surface float64) (float64, Flags, error) {
	if err := m.Check(); err != nil {
		return 0, 0, err
	}
	if !(surface >= 0) || math.IsInf(surface, 1) {
		return 0, 0, BadSpeed
	}
	if surface == 0 {
		return 0, 0, nil
	}
	hz := float64(m.Poles) / 2 * (m.motorSpeed(surface) + m.Slip())
	return hz, m.Flags(hz), nil
}

// Flags tells what is to be said about a running frequency.
func (m *Motor) Flags(hz float64) Flags {
	var f Flags
	if hz < m.MinHz {
		f |= BelowMin
	}
	if hz > m.MaxHz {
		f |= AboveMax
	}
	if hz < m.CoolingHz {
		f |= BelowCooling
	}
	if hz > m.BaseHz {
		f |= AboveBase
	}
	return f
}

// Surface is the inverse of Frequency: the surface speed of the roll, m/s.
// A frequency that the slip uses up turns nothing.
func (m *Motor) Surface(hz float64) (float64, error) {
	if err := m.Check(); err != nil {
		return 0, err
	}
	if !(hz >= 0) || math.IsInf(hz, 1) {
		return 0, BadFrequency
	}
	n := math.Max(0, Synchronous(hz, m.Poles)-m.Slip())
	return n * math.Pi * m.Diameter / m.Gear, nil
}

// Range is the surface speeds, m/s, at the lower and the upper limit of the
// frequency.
func (m *Motor) Range() (slowest, fastest float64, err error) {
	if slowest, err = m.Surface(m.MinHz); err != nil {
		return 0, 0, err
	}
	fastest, err = m.Surface(math.Min(m.MaxHz, math.MaxFloat64))
	return slowest, fastest, err
}

// Feed is the surface speed of the feed rolls, m/s, beside turning rolls of
// the given surface speed: draw is the one over the other, less one. With
// none the feed rolls run at the speed of the turning rolls.
func Feed(turning, draw float64) float64 { return turning * (1 + draw) }

// Draw is what two surface speeds make: feed over turning, less one. It is
// NaN when the turning rolls stand.
func Draw(feed, turning float64) float64 {
	if turning == 0 {
		return math.NaN()
	}
	return feed/turning - 1
}
