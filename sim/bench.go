package sim

import (
	"errors"
	"fmt"

	"lapgate/sim/controller"
)

// Bench is a line without controller program, sockets and clock, to try single
// recipes on: each roll finds the line as at the start of a shift. It is for
// one goroutine.
type Bench struct {
	cfg     Config
	station *station
}

// NewBench returns a bench of a line. Rolls, times and sockets of the
// configuration do not matter.
func NewBench(cfg Config) *Bench { return &Bench{cfg: cfg} }

// benchTicks bounds how long one roll may take, in seconds of the line.
const benchTicks = 20_000

// Scan lets a roll arrive and measures it. ordinal seeds what is random of the
// roll.
func (b *Bench) Scan(ordinal int, roll Roll) (controller.Measurement, error) {
	b.station = newStation(&b.cfg)
	b.station.arrive(ordinal, &roll)
	b.station.advance(b.cfg.Times.Arrive + b.cfg.Times.Measure + 1)
	if b.station.stage != waiting {
		return controller.Measurement{}, errors.New("sim: the roll does not wait after its scan; check Times")
	}
	return b.station.measure(0), nil
}

// Platens are the temperatures of both platens, °C, the cooler one first.
func (b *Bench) Platens() (cooler, hotter float64) { return b.station.platenTemperatures() }

// Wrap carries out the setpoints of a payload on the roll scanned last, and
// judges the wrap.
func (b *Bench) Wrap(payload []uint16) (Judgement, error) {
	if b.station == nil {
		return Judgement{}, errors.New("sim: no roll was scanned")
	}
	r, ok := controller.RecipeOf(payload)
	if !ok {
		return Judgement{}, errors.New("sim: the payload is damaged or holds no recipe")
	}
	if !b.station.begin(&r) {
		return Judgement{}, fmt.Errorf("sim: slot %d cannot be used", r.Slot)
	}
	for range benchTicks {
		if b.station.stage == finished {
			j := b.station.judgeWrap()
			b.station = nil
			return j, nil
		}
		b.station.advance(1)
	}
	return Judgement{}, fmt.Errorf("sim: the roll is not done after %d s", benchTicks)
}
