package sim

import (
	"math"
	"math/rand/v2"

	"lapgate/sim/controller"
	"lapgate/sim/physics"
)

// stage is what the station does with its roll.
type stage uint8

const (
	idle stage = iota
	arriving
	measuring
	waiting // for the controller: recipe, hold or operator
	innerHead
	feeding
	crimping
	outerHead
	heating
	pressing
	ejecting
	weighing
	finished
)

// job is what a roll is wrapped with, each value from the recipe where its
// group is in force, otherwise from the line's own settings.
type job struct {
	byHand                    bool
	slot                      int // index, −1 none
	toldWidth                 float64
	counts                    float64
	layers                    float64
	overlap                   float64
	turning                   float64 // surface speeds while wrapping
	feed                      float64
	crimpTime                 float64 // 0: until the turns are made
	crimpTurns                float64
	crimpSpeed                float64
	centreHeight              float64 // told, 0 none
	temperature               float64
	dwell                     float64
	closeLeast, closeGreatest float64 // at which the press may close, 0 for none told
	innerHead                 float64
	outerHead                 float64
	glue                      float64
	gross                     float64 // expected, 0 none
	tolerance                 float64
	offset                    float64
}

// station is the line: one roll at a time, and the equipment around it.
type station struct {
	line    *Config
	cfg     *Config // the line as it wraps the roll at hand
	supply  []physics.Supply
	ready   []bool
	change  []float64 // s until a fresh wrapper hangs
	platens [2]physics.Plate
	paused  bool // the outputs are off, and nothing is wrapped

	roll    *Roll
	ordinal int
	rng     *rand.Rand
	density float64
	centred float64 // centring error of this roll
	scans   uint64
	truth   truth // of this roll
	trouble trouble
	faults  []standingFault
	sensors [2]float64 // temperatures as the sensors of the platens read them, °C

	stage   stage
	left    float64
	job     job
	axis    physics.Axis
	press   [2]*physics.Press
	figures Figures
	defects []Defect // found while it was wrapped
	ranOut  bool
	dose    [2]float64 // s at 180 °C of each head
	held    float64    // s that the cooler bond line was at temperature

	guided    bool               // a controller's program says when the press closes
	closes    bool               // the press may close
	stuck     bool               // the press waits longer than anybody would
	interlock controller.Closing // of a bench without a program
	pressed   float64            // s until the operator of a bench presses start
}

func newStation(cfg *Config) *station {
	s := &station{line: cfg, cfg: cfg, faults: cfg.processFaults(), trouble: trouble{slot: -1}}
	for _, sl := range cfg.Stand.Slots {
		outer := sl.Outer
		if outer == 0 {
			outer = cfg.Stand.Full
		}
		s.supply = append(s.supply, physics.Supply{Outer: outer, Core: cfg.Stand.Core, Caliper: sl.Caliper})
		s.ready = append(s.ready, true)
		s.change = append(s.change, 0)
	}
	for i := range s.platens {
		s.platens[i] = physics.Plate{
			Mass: cfg.Header.Mass, Power: cfg.Header.Power, Loss: cfg.Header.Loss, Error: cfg.Header.Errors[i],
			Temperature: cfg.Header.Start + cfg.Header.Errors[i], Setpoint: cfg.Habit.Temperature,
		}
		s.sensors[i] = s.platens[i].Temperature
	}
	return s
}

// arrive sends a roll in. Each roll has random numbers of its own, so that
// what is true of it does not depend on what happened to the one before.
func (s *station) arrive(ordinal int, r *Roll) {
	s.cfg = s.line.wrapping(s.line.grade(r.Grade))
	s.trouble = s.troubleOf(ordinal)
	s.roll, s.ordinal, s.scans = s.trouble.misshapen(r), ordinal, 0
	s.rng = rand.New(rand.NewPCG(s.cfg.Seed, uint64(ordinal)))
	s.density = s.cfg.grade(r.Grade).Density * (1 + 0.003*clampNormal(s.rng))
	s.centred = s.cfg.Centring.Error * (2*s.rng.Float64() - 1)
	s.truth = s.cfg.draw(ordinal)
	s.truth.damp = s.trouble.damp
	s.suffer()
	s.figures, s.defects, s.ranOut, s.stuck = Figures{}, nil, false, false
	s.stage, s.left = arriving, s.cfg.Times.Arrive
}

// atStation reports whether the roll is where the sensor sees it.
func (s *station) atStation() bool { return s.roll != nil && s.stage > arriving }

// leave empties the station.
func (s *station) leave() { s.roll, s.stage = nil, idle }

func clampNormal(r *rand.Rand) float64 { return min(max(r.NormFloat64(), -3), 3) }

// habitSlot is the slot that an operator would take: the one nearest to the
// usual overhang among those that are ready and within what is accepted.
func (s *station) habitSlot() int {
	best, off := -1, math.Inf(1)
	for i, sl := range s.cfg.Stand.Slots {
		o := (sl.Width - s.roll.Width) / 2
		e := s.cfg.Centring.Error
		if !s.ready[i] || !s.cfg.may(sl.Number) || o-e < s.cfg.Accept.OverhangMin || o+e > s.cfg.Accept.OverhangMax {
			continue
		}
		if d := math.Abs(o - s.cfg.Habit.Overhang); d < off {
			best, off = i, d
		}
	}
	return best
}

// fits reports whether any wrapper that hangs or can be hung fits the roll.
func (s *station) fits() bool {
	for _, sl := range s.cfg.Stand.Slots {
		o := (sl.Width - s.roll.Width) / 2
		if e := s.cfg.Centring.Error; s.cfg.may(sl.Number) && o-e >= s.cfg.Accept.OverhangMin && o+e <= s.cfg.Accept.OverhangMax {
			return true
		}
	}
	return false
}

// step sizes, s of line time: fine where something moves or conducts.
const (
	stepCoarse = 0.1
	stepMotion = 0.02
	stepPress  = 0.05
)

// advance lets the line run for dt seconds of its own time.
func (s *station) advance(dt float64) {
	for dt > 1e-9 {
		h := stepCoarse
		switch s.stage {
		case feeding, crimping:
			h = stepMotion
		case pressing:
			h = min(stepPress, max(s.left, 1e-6)) // to the end of the dwell, not beyond
		}
		h = min(h, dt)
		dt -= h
		s.equipment(h)
		if !s.paused || s.stage <= waiting {
			s.process(h)
		}
	}
}

// equipment carries on what does not depend on the roll: the heaters, and
// wrappers that are being changed.
func (s *station) equipment(dt float64) {
	for i := range s.platens {
		drawn := 0.0
		if s.stage == pressing && !s.paused && s.press[i] != nil {
			drawn = s.press[i].Step(dt, s.platens[i].Temperature) * s.ringShare()
		}
		s.platens[i].Step(dt, s.cfg.Header.Ambient, drawn)
		s.sense(i, dt)
	}
	for i := range s.supply {
		if s.change[i] > 0 {
			if s.change[i] -= dt; s.change[i] <= 0 {
				if s.supply[i].Left() < s.cfg.Stand.Reserve {
					s.supply[i].Outer = s.cfg.Stand.Full
				}
				s.ready[i] = true
			}
		}
	}
}

// hang has a fresh wrapper roll hung in a slot.
func (s *station) hang(slot int) {
	s.supply[slot].Outer = s.cfg.Stand.Full
	s.unready(slot, s.cfg.Stand.Change)
}

// unready takes a slot out for a while.
func (s *station) unready(slot int, seconds float64) {
	s.ready[slot], s.change[slot] = false, max(seconds, 1e-6)
}

func (s *station) timer(dt float64) bool {
	s.left -= dt
	return s.left <= 1e-9 // sums of steps miss it by rounding
}

// outer is the diameter of the roll with the wrapper on it.
func (s *station) outer() float64 {
	return s.roll.Diameter + 2*s.figures.Layers*s.hangs(s.job.slot).Caliper
}

// process carries the roll on by a step of line time.
func (s *station) process(dt float64) {
	c := s.cfg
	switch s.stage {
	case arriving:
		s.after(dt, measuring, c.Times.Measure)
	case measuring:
		s.after(dt, waiting, 0)
	case innerHead:
		if s.after(dt, feeding, c.Times.HeatLimit) {
			s.axis = physics.Axis{Accel: c.Wrap.Accel, Decel: c.Wrap.Decel}
		}
	case feeding:
		if s.axis.ToPosition(s.job.counts/c.Wrap.CountsPerMetre, s.job.feed, dt) || s.timer(dt) {
			s.fed()
		}
	case crimping:
		s.crimp(dt)
	case outerHead:
		s.after(dt, heating, c.Times.HeatLimit)
	case heating:
		s.heat(dt)
	case pressing:
		s.pressHeads(dt)
	case ejecting:
		s.after(dt, weighing, c.Times.Weigh)
	case weighing:
		if s.timer(dt) {
			s.weigh()
			s.stage = finished
		}
	}
}

// after goes to the next stage when the time of this one is over.
func (s *station) after(dt float64, next stage, seconds float64) bool {
	if !s.timer(dt) {
		return false
	}
	s.stage, s.left = next, seconds
	return true
}

// crimp turns the roll under the crimpers.
func (s *station) crimp(dt float64) {
	c, j := s.cfg, &s.job
	s.left -= dt
	circumference := math.Pi * s.outer()
	ready := false
	if j.crimpTime > 0 {
		// The crimpers are on the roll between engaging and leaving.
		if gone := j.crimpTime - s.left; gone > c.Crimp.Engage {
			s.axis.ForTime(s.left-c.Crimp.Retract+dt, j.crimpSpeed, dt)
		}
		ready = s.left <= 0
	} else {
		travel := j.crimpTurns * circumference / (1 - c.Crimp.Slip)
		ready = s.axis.ToPosition(travel, j.crimpSpeed, dt) || s.left <= 0
	}
	if !ready {
		return
	}
	s.figures.CrimpTurns = s.axis.Travel * (1 - c.Crimp.Slip) / circumference
	if c.Headless {
		s.stage, s.left = ejecting, c.Times.Eject
		return
	}
	s.stage, s.left = outerHead, c.Times.OuterHead
	s.interlock, s.closes = controller.Closing{}, false
	for i := range s.platens {
		s.platens[i].Setpoint = j.temperature
	}
}

// fed takes the paper from the stand and winds it on the roll.
func (s *station) fed() {
	c, j := s.cfg, &s.job
	slot := s.hangs(j.slot)
	s.figures.Encoder = math.Round(s.axis.Travel*c.Wrap.CountsPerMetre) / c.Wrap.CountsPerMetre
	paper := s.axis.Travel * (1 - s.trouble.worn) * (1 - c.Wrap.Slip) * (1 - s.slides())
	if left := s.supply[j.slot].Left(); !s.supply[j.slot].Take(paper) {
		paper, s.ranOut = left, true
	}
	s.figures.Paper = paper
	s.figures.Layers = j.layers
	s.figures.Overlap = paper - physics.Around(s.roll.Diameter, slot.Caliper, j.layers)
	s.figures.LayersWound = physics.Wound(s.roll.Diameter, slot.Caliper, paper)
	if s.supply[j.slot].Left() < c.Stand.Reserve {
		s.unready(j.slot, c.Stand.Change)
	}
	s.axis = physics.Axis{Accel: c.Crimp.Accel, Decel: c.Crimp.Decel}
	s.stage, s.left = crimping, j.crimpTime
	if j.crimpTime == 0 {
		s.left = c.Times.CrimpLimit
	}
}

// show gives the program what the sensors of platens and stand tell.
func (s *station) show(in *controller.Inputs) {
	cooler, hotter := s.platenTemperatures()
	in.Platen, in.PlatenHot = steps(cooler), steps(hotter)
	in.Closing, in.SlotsReady = s.wantsToClose(), 0
	for i, sl := range s.cfg.Stand.Slots {
		if s.ready[i] {
			in.SlotsReady |= 1 << (sl.Number - 1)
		}
		in.SlotOuter[sl.Number-1] = uint16(s.supply[i].Outer*1e3 + 0.5)
	}
}

func (s *station) weigh() {
	c, j := s.cfg, &s.job
	slot := s.hangs(j.slot)
	core := c.core(s.roll.Core)
	mass := physics.RollMass(s.roll.Diameter, core.Diameter, s.roll.Width, s.density) + core.Mass*s.roll.Width
	mass += slot.BasisWeight * s.figures.Paper * s.sheetWidth()
	mass += 2 * math.Pi / 4 * (c.Header.Inner*j.innerHead*j.innerHead + c.Header.HeadWeight*j.outerHead*j.outerHead)
	mass += j.glue
	s.figures.Mass = mass
	reading := mass + c.Scale.Zero + c.Scale.Noise*clampNormal(s.rng)
	if c.Scale.Step > 0 {
		reading = math.Round(reading/c.Scale.Step) * c.Scale.Step
	}
	s.figures.Scale = max(reading, 0)
}

// used are the figures as the controller reports them.
func (s *station) used(start, end uint32) *controller.Used {
	j, f := &s.job, &s.figures
	word := func(v float64) uint16 { return uint16(min(max(math.Round(v), 0), 0xFFFF)) }
	long := func(v float64) uint32 { return uint32(min(max(math.Round(v), 0), math.MaxUint32)) }
	return &controller.Used{
		Slot:       uint16(s.cfg.Stand.Slots[j.slot].Number),
		FeedLength: long(f.Paper * 1e4), Layers: word(min(j.layers, f.LayersWound) * 100), CrimpTime: word(j.crimpTime * 100),
		Temperature: word(j.temperature * 10), Dwell: word(j.dwell * 100), OuterHead: word(j.outerHead * 1e3),
		Overlap: word(f.Overlap * 1e4), Hangs: word((s.sheetWidth() - s.roll.Width) / 2 * 1e4), Pressure: word(s.hydraulic() / 1e3), Scale: long(f.Scale * 10), Encoder: long(f.Encoder * 1e4),
		Start: start, End: end,
	}
}
