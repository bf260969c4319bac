package controller

import "lapgate/sim/registers"

// Output is one thing that the program drives, and that only a person's press of
// start turns on. Platens that stay warm between rolls are none: they belong to
// the press's own temperature control.
type Output uint8

// The outputs.
const (
	TurningDrive Output = iota
	FeedDrive
	CrimperDrive
	Heaters
	Platens
	Crimpers
	Brakes
	CentringGear

	Outputs = iota // how many there are
)

// State is what an output does.
type State uint8

// The states. An output is Driven while the outputs are on; the others are what it
// falls to, as the maker of the machine says. The zero value is that nobody has
// entered it yet.
const (
	NotEntered State = iota
	Stopped
	Off
	Opens
	Holds
	Driven
)

// makersStates are the states that the outputs of the simulated machine fall to.
func makersStates() [Outputs]State {
	return [Outputs]State{
		TurningDrive: Stopped, FeedDrive: Stopped, CrimperDrive: Stopped, Heaters: Off,
		Platens: Opens, Crimpers: Opens, Brakes: Holds, CentringGear: Holds,
	}
}

// Running reports whether the outputs are on.
func (c *Controller) Running() bool { return c.on }

// Output is what an output does now.
func (c *Controller) Output(o Output) State {
	if c.on {
		return Driven
	}
	return c.cfg.Falls[o]
}

// presence follows the sensor at the station. A roll is gone when the sensor was
// off for the whole of GoneTime; a shorter break is nothing.
func (c *Controller) presence(tick uint32, in *Inputs) {
	switch {
	case in.RollPresent:
		c.away = false
	case !c.away:
		c.away, c.awaySince = true, tick
	}
	c.gone = c.away && tick-c.awaySince >= ticks(c.cfg.GoneTime)
	c.spoilPresence()
	if c.gone {
		c.mem.Still = false
	}
}

// Clear reports whether the next roll may come in: the station is empty, and the
// sensor saw the roll before leave.
func (c *Controller) Clear() bool { return c.mem.Phase == PhaseEmpty && !c.mem.Still }

// outputs turns the outputs on at a press of start and takes them away with
// anything that they need. Nothing else turns them on.
func (c *Controller) outputs(in *Inputs) {
	pressed := in.Start && !c.startDown
	c.startDown = in.Start
	may := c.cfg.Permissives&^in.Permissives == 0 && !c.gone && c.statesEntered() &&
		(c.mem.Phase == PhaseRun && !c.mem.Confirm || c.mem.Phase == PhaseManual)
	switch {
	case !may:
		c.on = false
	case pressed && in.RollPresent:
		c.on = true
		c.mem.ByHand = c.mem.ByHand || c.mem.Phase == PhaseManual
	}
	c.spoilOutputs(in, pressed, may)
	c.press(in, pressed)
}

func (c *Controller) statesEntered() bool {
	for _, s := range c.cfg.Falls {
		if s == NotEntered || s == Driven {
			return false
		}
	}
	return true
}

// Closing is the interlock of a heated press: it closes only with the cooler
// platen at or above the least temperature and the hotter one at or under the
// greatest, and after a wait only on a new press of start. It is a rule of the
// process and not the temperature cut-out.
type Closing struct {
	Within bool // the platens are at temperatures at which it may close
	Waits  bool // they were not, and it wants a new press of start
}

// May reports whether the press may close now, at temperatures in steps of 0.1 °C of
// which 0 is not measured.
func (k *Closing) May(least, greatest, cooler, hotter uint32, pressed bool) bool {
	k.Within = cooler > 0 && hotter > 0 && cooler >= least && hotter <= greatest
	k.Waits = !k.Within || k.Waits && !pressed
	return !k.Waits
}

// Press is what the interlock of the press says.
func (c *Controller) Press() Closing { return c.closing }

// PressCloses reports whether the press is told to close.
func (c *Controller) PressCloses() bool { return c.closes }

// press lets the press close that the line wants to close.
func (c *Controller) press(in *Inputs, pressed bool) {
	p := registers.In(registers.Payload, c.mem.Payload[:])
	told := c.mem.Phase == PhaseRun && p.Get("groups")>>registers.GroupHeader&1 == 1 && p.Get("header_temperature") > 0
	switch {
	case !in.Closing:
		c.closing, c.closes = Closing{}, false
	case !c.on:
		c.closes = false
	case c.closes:
	case !told:
		c.closes = true
	default:
		least, greatest := p.Get("closing_least"), p.Get("closing_greatest")
		switch c.cfg.Broken {
		case RuleCloseLeast:
			least = 0
		case RuleCloseGreatest:
			greatest = 0xFFFF
		case RuleCloseWaits:
			pressed = true
		}
		c.closes = c.closing.May(least, greatest, uint32(in.Platen), uint32(in.PlatenHot), pressed)
	}
}
