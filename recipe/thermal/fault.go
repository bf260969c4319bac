package thermal

import "lapgate/recipe/wording"

// Fault is why there is no dwell.
type Fault uint8

// Faults, in the order in which they are looked for.
const (
	BadBody        Fault = 1 + iota // a property of head or backing is not a number in range
	BadTemperature                  // a temperature is not a number above absolute zero
	BadWater                        // the water to drive out is not a number from 0 up
	BadUncertainty                  // an uncertainty is not a number from 0 up
	NotCalibrated                   // the conductance is too uncertain to promise anything
	PlatenTooCold                   // the platen is not hotter than the bond is to be
	AlreadyWarm                     // the bond is to be no warmer than the start
	NoTime                          // no finite time reaches the target
)

func (f Fault) Error() string { return f.Said().String() }

// Said is the fault in words.
func (f Fault) Said() wording.Said {
	switch f {
	case BadBody:
		return wording.Say("fault.thermal.bad-body")
	case BadTemperature:
		return wording.Say("fault.thermal.bad-temperature")
	case BadWater:
		return wording.Say("fault.thermal.bad-water")
	case BadUncertainty:
		return wording.Say("fault.thermal.bad-uncertainty")
	case NotCalibrated:
		return wording.Say("fault.thermal.not-calibrated")
	case PlatenTooCold:
		return wording.Say("fault.thermal.platen-too-cold")
	case AlreadyWarm:
		return wording.Say("fault.thermal.already-warm")
	case NoTime:
		return wording.Say("fault.thermal.no-time")
	}
	return wording.Say("fault.thermal")
}
