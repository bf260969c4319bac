package thermal

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

func (f Fault) Error() string {
	switch f {
	case BadBody:
		return "thermal: a property of the head or its backing is not a positive number"
	case BadTemperature:
		return "thermal: a temperature is not a number above absolute zero"
	case BadWater:
		return "thermal: the water to drive out is not a number from zero up"
	case BadUncertainty:
		return "thermal: an uncertainty is not a number from zero up"
	case NotCalibrated:
		return "thermal: the contact conductance is more uncertain than 30 %"
	case PlatenTooCold:
		return "thermal: the platen is not hotter than the bond line is to be"
	case AlreadyWarm:
		return "thermal: the bond line is to be no warmer than it starts"
	case NoTime:
		return "thermal: no finite time reaches the target"
	}
	return "thermal: unknown fault"
}
