package sim

import (
	"errors"
	"fmt"

	"lapgate/sim/controller"
)

// Bench is a line without controller program, sockets and clock, to try recipes
// on. It is for one goroutine.
type Bench struct {
	cfg     Config
	station *station
	wrapped bool // the roll scanned last
}

// NewBench returns a bench of a line. Rolls, times and sockets of the
// configuration do not matter.
func NewBench(cfg Config) *Bench { return &Bench{cfg: cfg} }

// benchTicks bounds how long one roll may take, in seconds of the line.
const benchTicks = 20_000

// Scan lets a roll arrive on a line as it is at the start of a shift, and
// measures it. ordinal seeds what is random of the roll.
func (b *Bench) Scan(ordinal int, roll Roll) (controller.Measurement, error) {
	b.station = nil
	return b.ScanNext(ordinal, roll)
}

// ScanNext lets a roll arrive on the line as the roll before left it, whether
// that was wrapped or taken away, and measures it.
func (b *Bench) ScanNext(ordinal int, roll Roll) (controller.Measurement, error) {
	if b.station == nil {
		b.station = newStation(&b.cfg)
	}
	b.wrapped = false
	b.station.arrive(ordinal, &roll)
	b.station.advance(b.cfg.Times.Arrive + b.cfg.Times.Measure + 1)
	if b.station.stage != waiting {
		return controller.Measurement{}, errors.New("sim: the roll does not wait after its scan; check Times")
	}
	return b.station.measure(0), nil
}

// Platens are the temperatures of both platens as they are read, °C, the cooler
// one first.
func (b *Bench) Platens() (cooler, hotter float64) { return b.station.platenTemperatures() }

// Inputs are what the sensors of platens and stand tell the controller.
func (b *Bench) Inputs() (in controller.Inputs) {
	b.station.show(&in)
	return in
}

// Process are the faults of the process as they are on this line.
func (b *Bench) Process() []ProcessCount { return b.cfg.processCounts() }

// Wrap carries out the setpoints of a payload on the roll scanned last, and
// judges the wrap.
func (b *Bench) Wrap(payload []uint16) (Judgement, error) {
	if b.station == nil || b.wrapped {
		return Judgement{}, errors.New("sim: no roll was scanned")
	}
	r, ok := controller.RecipeOf(payload)
	if !ok {
		return Judgement{}, errors.New("sim: the payload is damaged or holds no recipe")
	}
	if !b.station.begin(&r) {
		return Judgement{}, fmt.Errorf("sim: slot %d cannot be used", r.Slot)
	}
	b.wrapped = true
	for range benchTicks {
		if b.station.stage == finished {
			return b.station.judgeWrap(), nil
		}
		b.station.advance(1)
	}
	return Judgement{}, fmt.Errorf("sim: the roll is not done after %d s", benchTicks)
}

// Used are the figures of the roll wrapped last, as the controller reports them.
func (b *Bench) Used() controller.Used { return *b.station.used(0, 0) }
