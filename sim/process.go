package sim

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
)

// ProcessFault is one named way in which press, paper or scanner can be other
// than anybody believes. Unlike a SimulatedFault it stands: from one roll on it
// is there for all of the shift.
type ProcessFault struct {
	Name string `json:"fault"`
	Text string `json:"what"`
	ramp int    // rolls over which it grows to its strength
	// put adds what the fault does at a strength from 0 to 1. standing gives the
	// same numbers for every roll, own gives each roll numbers of its own. It
	// returns what of several things the fault is here.
	put func(t *trouble, strength float64, c *Config, standing, own *rand.Rand) string
}

// ProcessConfig says which faults of the process there are.
type ProcessConfig struct {
	Faults []WantedFault
	From   int // ordinal of the first roll that they concern; 0 draws it from the first half of the shift
}

// WantedFault is a fault of the process by name.
type WantedFault struct {
	Name     string
	Strength float64 // up to 1, the worst; 0 draws it
	// From and To are ordinals of the first and the last roll that it concerns; 0
	// for From of the configuration, and for the end of the shift.
	From, To int
}

// ProcessCount is a fault of the process as it was in a shift.
type ProcessCount struct {
	Fault    string  `json:"fault"`
	What     string  `json:"what"`
	Strength float64 `json:"strength"`
	From     int     `json:"from"` // ordinal of the first roll that it concerned
	Rolls    int     `json:"rolls"`
	Bad      int     `json:"bad"` // of their wraps
}

// trouble is what the faults of the process do to one roll. The zero value but
// for slot is a sound line.
type trouble struct {
	names []string

	heater    [2]float64 // share of the power of a platen's heater that is lost
	reads     [2]float64 // K that the sensor of a platen reads too high
	gap       [2]float64 // m of air between platen and head
	pressure  float64    // share of the hydraulic pressure that is lost
	slot      int        // index of the slot in which another wrapper hangs, −1 for none
	wider     float64    // m, of that wrapper
	thicker   float64    // share, and as much heavier
	slippery  float64    // share of its friction that it lacks
	dust      float64    // share of the friction of the feed rolls that dust takes
	worn      float64    // share of the radius of the feed rolls
	damp      float64    // kg of water more in each kg of head and wrapper
	sensors   [12]sensor // of the diameter, by position of the scanner
	ovality   float64    // more
	taper     float64    // more
	telescope float64    // m more
}

// sensor is what is wrong with one sensor of the scanner.
type sensor struct {
	more   float64 // m that it reads too much
	lost   float64 // share of readings that it does not give
	spikes float64 // share of readings that are wild
}

// How far the faults go at their full strength (J).
const (
	mostSlippery  = 0.30
	mostDust      = 0.35
	mostWorn      = 0.02
	mostDamp      = 0.06
	mostOvality   = 0.03
	mostTaper     = 0.012
	mostTelescope = 0.05 // m
	spikeShare    = 0.01
	spikeSize     = 0.1  // m
	weakest       = 0.05 // strength that is drawn
)

// ProcessFaults lists every fault of the process by name, in the order of the
// documentation.
func ProcessFaults() []ProcessFault {
	return []ProcessFault{
		{"cold-platen", "the heater of a platen gives half of its power at most, or none", 0, putColdPlaten},
		{"sensor-high", "the sensor of a platen reads 5 to 15 K too high, or air lies between platen and head", 0, putSensorHigh},
		{"low-pressure", "the hydraulic pressure of the press falls, to 30 % at worst", 20, putLowPressure},
		{"wrong-wrapper", "another wrapper hangs in a slot: its width, caliper and friction differ", 0, putWrongWrapper},
		{"dirty-scanner", "a sector of the scanner reads 1 to 10 mm too much and loses readings; some are wild", 0, putDirtyScanner},
		{"misshapen-rolls", "the winder makes rolls that are oval, tapered or telescoped", 0, putMisshapenRolls},
		{"damp", "heads and wrapper are damp", 0, putDamp},
		{"worn-feed-roll", "the feed rolls wear off, or dust lets the wrapper slip on them", 30, putWornFeedRoll},
	}
}

func putColdPlaten(t *trouble, x float64, _ *Config, standing, _ *rand.Rand) string {
	t.heater[standing.IntN(2)] = 0.5 + 0.5*x
	return fmt.Sprintf("the heater of a platen gives %.0f %% of its power", 100*0.5*(1-x))
}

func putSensorHigh(t *trouble, x float64, _ *Config, standing, _ *rand.Rand) string {
	platen := standing.IntN(2)
	if standing.IntN(2) == 0 {
		t.reads[platen] = 5 + 10*x
		return fmt.Sprintf("the sensor of a platen reads %.1f K too high", t.reads[platen])
	}
	t.gap[platen] = 50e-6 + 150e-6*x
	return fmt.Sprintf("%.2f mm of air lie between a platen and its head", 1e3*t.gap[platen])
}

func putLowPressure(t *trouble, x float64, _ *Config, _, _ *rand.Rand) string {
	t.pressure = 0.7 * x
	return fmt.Sprintf("the pressure of the press falls to %.0f %%", 100*(1-t.pressure))
}

func putWrongWrapper(t *trouble, x float64, c *Config, standing, _ *rand.Rand) string {
	sign := func() float64 { return float64(2*standing.IntN(2) - 1) }
	t.slot = standing.IntN(len(c.Stand.Slots))
	t.wider, t.thicker, t.slippery = sign()*(0.002+0.048*x), sign()*0.3*x, mostSlippery*x
	return fmt.Sprintf("the wrapper in slot %d is %+.1f mm wider and %+.0f %% thicker", c.Stand.Slots[t.slot].Number, 1e3*t.wider, 100*t.thicker)
}

func putDirtyScanner(t *trouble, x float64, _ *Config, standing, _ *rand.Rand) string {
	wide := 1 + standing.IntN(3)
	first := standing.IntN(len(t.sensors) - wide + 1)
	for i := range t.sensors {
		t.sensors[i].spikes = spikeShare
		if i >= first && i < first+wide {
			t.sensors[i].more, t.sensors[i].lost = 0.001+0.009*x, 0.5*x
		}
	}
	return fmt.Sprintf("sensors %d to %d of the scanner read %.1f mm too much and lose %.0f %% of the readings", first+1, first+wide, 1+9*x, 50*x)
}

func putMisshapenRolls(t *trouble, x float64, _ *Config, standing, own *rand.Rand) string {
	grown := x * (0.5 + 0.5*own.Float64()) // no two rolls are alike
	switch standing.IntN(3) {
	case 0:
		t.ovality = mostOvality * grown
		return "the rolls are oval"
	case 1:
		t.taper = mostTaper * grown * float64(2*standing.IntN(2)-1)
		return "the rolls are tapered"
	}
	t.telescope = mostTelescope * grown
	return "the rolls are telescoped"
}

func putDamp(t *trouble, x float64, _ *Config, _, _ *rand.Rand) string {
	t.damp = mostDamp * x
	return fmt.Sprintf("heads and wrapper hold %.1f %% more water", 100*t.damp)
}

func putWornFeedRoll(t *trouble, x float64, _ *Config, standing, _ *rand.Rand) string {
	if standing.IntN(2) == 0 {
		t.worn = mostWorn * x
		return fmt.Sprintf("the feed rolls have worn off by %.1f %%", 100*t.worn)
	}
	t.dust = mostDust * x
	return fmt.Sprintf("dust takes %.0f %% of the friction of the feed rolls", 100*t.dust)
}

// standingFault is a fault of the process in a shift.
type standingFault struct {
	ProcessFault
	strength float64
	from, to int // to is 0 for the end of the shift
	stream   uint64
}

// processFaults makes the faults of a configuration ready. What they are depends
// on the seed and on their names alone.
func (c *Config) processFaults() []standingFault {
	var all []standingFault
	for i, f := range ProcessFaults() {
		for _, w := range c.Process.Faults {
			if w.Name != f.Name && w.Name != "all" {
				continue
			}
			one := standingFault{ProcessFault: f, stream: uint64(i) + 1}
			rng := rand.New(rand.NewPCG(c.Seed^0x9F0C<<40, one.stream))
			drawn, from := weakest+(1-weakest)*rng.Float64(), 1+rng.IntN(len(c.Rolls)/2+1)
			one.strength, one.from = w.Strength, c.Process.From
			if one.strength == 0 {
				one.strength = drawn
			}
			if one.from == 0 {
				one.from = from
			}
			if w.From > 0 {
				one.from, one.to = w.From, w.To
			}
			all = append(all, one)
			if w.From == 0 {
				break
			}
		}
	}
	return all
}

// put adds what the fault does to the roll of an ordinal to its trouble. What it
// is at its full strength is told.
func (f *standingFault) put(t *trouble, c *Config, ordinal int) {
	if ordinal < f.from || f.to > 0 && ordinal > f.to {
		return
	}
	x := f.strength
	if f.ramp > 0 {
		x *= min(1, float64(ordinal-f.from+1)/float64(f.ramp))
	}
	t.names = append(t.names, f.Name)
	f.tell(t, x, c, ordinal)
}

func (f *standingFault) tell(t *trouble, x float64, c *Config, ordinal int) string {
	standing := rand.New(rand.NewPCG(c.Seed^0x57A4<<40, f.stream))
	own := rand.New(rand.NewPCG(c.Seed^f.stream<<48, uint64(ordinal)))
	return f.ProcessFault.put(t, x, c, standing, own)
}

// count is the fault as a report tells of it, before any roll.
func (f *standingFault) count(c *Config) ProcessCount {
	return ProcessCount{Fault: f.Name, What: f.tell(&trouble{}, f.strength, c, 0), Strength: f.strength, From: f.from}
}

// processCounts are all faults of a configuration, likewise.
func (c *Config) processCounts() (all []ProcessCount) {
	for _, f := range c.processFaults() {
		all = append(all, f.count(c))
	}
	return all
}

// troubleOf is what the faults do to the roll of an ordinal.
func (s *station) troubleOf(ordinal int) trouble {
	t := trouble{slot: -1}
	for i := range s.faults {
		s.faults[i].put(&t, s.cfg, ordinal)
	}
	return t
}

// misshapen is the roll as the faults let it be.
func (t *trouble) misshapen(r *Roll) *Roll {
	shape := *r
	shape.Ovality += t.ovality
	shape.Taper += t.taper
	shape.Telescoping += t.telescope
	return &shape
}

// suffer lets the equipment be as the faults of this roll have it.
func (s *station) suffer() {
	t, h := &s.trouble, &s.cfg.Header
	for i := range s.platens {
		s.platens[i].Power = h.Power * (1 - t.heater[i])
		s.platens[i].Error = h.Errors[i] - t.reads[i]
	}
	for i := range s.supply {
		s.supply[i].Caliper = s.hangs(i).Caliper
	}
}

// hangs is the wrapper in a slot as it truly is.
func (s *station) hangs(slot int) Slot {
	w, t := s.cfg.Stand.Slots[slot], &s.trouble
	if slot == t.slot {
		w.Width += t.wider
		w.Caliper *= 1 + t.thicker
		w.BasisWeight *= 1 + t.thicker
	}
	return w
}

// slides is the share of the travel of the feed rolls that slides under the
// wrapper, for want of friction.
func (s *station) slides() float64 {
	friction := s.cfg.Wrap.Friction * (1 - s.trouble.dust)
	if s.job.slot == s.trouble.slot {
		friction *= 1 - s.trouble.slippery
	}
	if s.cfg.Wrap.Nip == 0 {
		return 0
	}
	return max(0, 1-friction*s.cfg.Wrap.Nip)
}

// misread is what a sensor of the scanner tells of a diameter, 0 for nothing.
func (t *trouble) misread(position int, diameter float64, rng *rand.Rand) float64 {
	s := &t.sensors[position]
	lost, wild, off := rng.Float64() < s.lost, rng.Float64() < s.spikes, spikeSize*(2*rng.Float64()-1)
	switch {
	case lost:
		return 0
	case wild:
		return diameter + off
	}
	return diameter + s.more
}

// wrong tells what is wrong with the faults wanted.
func (c *ProcessConfig) wrong(add func(bad bool, format string, args ...any)) {
	names := namesOf(ProcessFaults(), func(f *ProcessFault) string { return f.Name })
	add(c.From < 0, "Process.From is %d, want 1 or more, or 0 to draw it", c.From)
	for _, w := range c.Faults {
		add(w.Name != "all" && !slices.Contains(names, w.Name), "no fault of the process is named %q, want one of %s", w.Name, strings.Join(names, ", "))
		add(w.From < 0 || w.To < 0 || w.To > 0 && w.To < w.From, "%s is wanted from roll %d to roll %d", w.Name, w.From, w.To)
		add(!(w.Strength >= 0 && w.Strength <= 1), "strength of %s is %g, want more than 0 and up to 1, or 0 to draw it", w.Name, w.Strength)
	}
}
