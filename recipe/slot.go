package recipe

import (
	"errors"
	"math"
	"slices"

	"lapgate/recipe/reel"
	"lapgate/recipe/wording"
)

// Fit is whether the wrapper of a slot serves a roll, or why not.
type Fit uint8

// The reasons in the order in which they are looked for.
const (
	Fits         Fit = iota
	Empty            // a person told that nothing hangs there
	OutOfService     // a person told that it is not to be used
	BeingHung        // a person told that a wrapper is being hung there
	NotAllowed       // its material is not allowed by the specification, or not known
	NotReady         // the controller reports the slot as not ready
	TooNarrow
	TooWide
	TooShort // what is left on it does not reach
)

func (f Fit) String() string { return f.Said().String() }

// Said is the same in words of the table.
func (f Fit) Said() wording.Said {
	switch f {
	case Fits:
		return wording.Say("fit.fits")
	case Empty:
		return wording.Say("fit.empty")
	case OutOfService:
		return wording.Say("fit.out-of-service")
	case BeingHung:
		return wording.Say("fit.being-hung")
	case NotAllowed:
		return wording.Say("fit.not-allowed")
	case NotReady:
		return wording.Say("fit.not-ready")
	case TooNarrow:
		return wording.Say("fit.too-narrow")
	case TooWide:
		return wording.Say("fit.too-wide")
	case TooShort:
		return wording.Say("fit.too-short")
	}
	return wording.Say("fit.unknown")
}

// Candidate is one slot of the stand as seen for one roll.
type Candidate struct {
	Slot     *SlotSpec
	Fit      Fit
	Window   Window  // by its paper
	Overhang float64 // each side
	Feed     float64 // m for this roll; 0 when the material is not known
	Need     float64 // feed and reserves, m; 0 when the material is not known
	Left     float64 // m; +Inf when nothing tells
	LeftU    float64 // its standard uncertainty, m
	Differs  bool    // outer diameter and consumption tell different lengths
}

// Judged reports whether the wrapper of the slot is one that the roll may have, so that
// window and need are known.
func (c *Candidate) Judged() bool { return c.Slot.Unusable == Fits && c.Fit != NotAllowed }

// Candidates judges every slot of the stand for a roll, in the order of the
// configuration. It is nil when the roll, its specification or its core is
// not known.
func Candidates(line *Line, roll *Roll, stand *Stand) []Candidate {
	var out Recipe
	j := job{line: line, roll: roll, stand: stand, out: &out}
	if !j.identify() {
		return nil
	}
	j.chooseHeads()
	j.findRules()
	list := make([]Candidate, 0, len(line.Stand.Slots))
	for i := range line.Stand.Slots {
		c, _ := j.judge(&line.Stand.Slots[i])
		list = append(list, c)
	}
	return list
}

// CandidateOf judges one slot of the stand for a roll. ok is false when the
// slot, the roll, its specification or its core is not known.
func CandidateOf(line *Line, roll *Roll, stand *Stand, number int) (c Candidate, ok bool) {
	var out Recipe
	j := job{line: line, roll: roll, stand: stand, out: &out}
	if !j.identify() {
		return Candidate{}, false
	}
	j.chooseHeads()
	j.findRules()
	for i := range line.Stand.Slots {
		if slot := &line.Stand.Slots[i]; slot.Number == number {
			c, _ = j.judge(slot)
			return c, true
		}
	}
	return Candidate{}, false
}

// judge tells whether the wrapper of a slot serves the roll.
func (j *job) judge(slot *SlotSpec) (Candidate, *Paper) {
	c, paper := j.judgeWidth(slot)
	if c.Judged() {
		j.judgeLength(&c, paper)
	}
	return c, paper
}

// judgeWidth tells whether the wrapper of a slot may be taken and is as wide as the roll needs.
func (j *job) judgeWidth(slot *SlotSpec) (Candidate, *Paper) {
	c := Candidate{
		Slot:     slot,
		Overhang: (slot.Width - j.roll.Width) / 2,
		Left:     math.Inf(1),
	}
	paper := j.line.Materials.Paper(slot.Paper)
	if slot.Unusable != Fits {
		c.Fit = slot.Unusable
		return c, paper
	}
	if paper == nil || !slices.Contains(j.spec.Papers, slot.Paper) || slot.Number < 1 || slot.Number > len(j.stand.Ready) {
		c.Fit = NotAllowed
		return c, paper
	}
	c.Window = j.windowFor(paper)
	// A stand worked by hand has no contacts that tell whether a slot is ready.
	switch live := j.line.Equipment.Stand.Powered(); {
	case live && !j.stand.Ready[slot.Number-1]:
		c.Fit = NotReady
	case !(c.Overhang >= c.Window.Overhang.Min-lengthSlack):
		c.Fit = TooNarrow
	case !(c.Overhang <= c.Window.Overhang.Max+lengthSlack):
		c.Fit = TooWide
	}
	return c, paper
}

// judgeLength tells what the roll needs of the wrapper and whether that is left of one that
// fits.
func (j *job) judgeLength(c *Candidate, paper *Paper) {
	c.Feed = feedLength(j.roll.Diameter, paper.Caliper, j.spec, j.line.Wrap.FeedSlip).Travel
	c.Need = c.Feed + j.line.Stand.Reserve + j.line.Stand.TailReserve
	if j.line.Equipment.Stand.Present() {
		j.findLeft(c, paper)
	}
	if c.Fit == Fits && !(c.Left-j.line.Limits.GuardK*c.LeftU >= c.Need) {
		c.Fit = TooShort
	}
}

// chooseSlot picks the wrapper. On a line whose operator hangs it, the slot
// that the operator confirmed is taken, if it fits.
func (j *job) chooseSlot() {
	j.findRules()
	j.window = j.bestWindow()
	if j.window.Empty() {
		j.problem(NoWindow, j.window.Overhang.Min, j.window.Overhang.Max, -1)
		return
	}
	mode := j.line.Equipment.Stand
	if mode == Manual && j.stand.Confirmed != 0 {
		j.takeConfirmed()
		return
	}
	best := Candidate{}
	for i := range j.line.Stand.Slots {
		c, paper := j.judgeWidth(&j.line.Stand.Slots[i])
		if c.Fit != Fits {
			continue // its length does not count
		}
		j.judgeLength(&c, paper)
		if c.Fit == Fits && (best.Slot == nil || better(c, best, j.spec.Overhang.Optimum)) {
			best = c
			j.chosen, j.paper = c.Slot, paper
		}
	}
	if best.Slot != nil {
		j.window, j.candidate = best.Window, best
	}
	switch {
	case best.Slot == nil:
		j.problem(NoSlot, j.window.Widths.Min, j.window.Widths.Max, -1)
	case mode == Manual:
		j.problem(SlotUnconfirmed, 0, best.Slot.Width, best.Slot.Number)
	case mode.Powered():
		j.setSlot(best)
	}
}

// findLeft tells the wrapper left in a slot, by outer diameter and by
// consumption reconciled. A roll that is not larger than its core has none.
func (j *job) findLeft(c *Candidate, paper *Paper) {
	s := &j.line.Stand
	i := c.Slot.Number - 1
	var byDiameter reel.Estimate
	if outer := j.stand.Outer[i]; outer != 0 {
		w := reel.Winding{Outer: outer, OuterU: s.OuterU, Core: s.CoreDiameter, Caliper: paper.Caliper, CaliperU: paper.CaliperU}
		var err error
		if byDiameter, err = w.Left(); err != nil {
			c.Left = 0
			return
		}
	}
	both, err := reel.Reconcile(byDiameter, j.stand.Counted[i], j.line.Limits.GuardK)
	switch {
	case errors.Is(err, reel.Unknown):
	case err != nil || !finite(both.Length) || !finite(both.U):
		c.Left = 0
	default:
		c.Left, c.LeftU, c.Differs = both.Length, both.U, both.Disagree
		if both.Disagree {
			// The lesser length is taken with its own uncertainty. With the gap
			// between the two as uncertainty no such slot would ever be used.
			c.LeftU = byDiameter.U
			if j.stand.Counted[i].Length < byDiameter.Length {
				c.LeftU = j.stand.Counted[i].U
			}
		}
	}
}

func (j *job) takeConfirmed() {
	for i := range j.line.Stand.Slots {
		slot := &j.line.Stand.Slots[i]
		if slot.Number != j.stand.Confirmed {
			continue
		}
		c, paper := j.judge(slot)
		if c.Fit != Fits {
			break
		}
		j.chosen, j.paper = slot, paper
		j.window, j.candidate = c.Window, c
		return
	}
	j.problem(SlotUnfit, float64(j.stand.Confirmed), 0, j.stand.Confirmed)
}

func (j *job) setSlot(c Candidate) {
	sp := &j.out.Setpoints
	sp.Groups |= 1 << GroupStand
	sp.Slot = c.Slot.Number
	sp.WrapperWidth = c.Slot.Width
	sp.Overhang = c.Overhang
	j.overhangU.add("width of the roll", j.roll.WidthU/2)
	j.overhangU.add("width of the wrapper", j.line.Stand.WidthU/2)
	// A centring error is as likely anywhere within its tolerance.
	j.overhangU.add("centring", j.line.Centring.Tolerance/math.Sqrt(3))
	j.out.Uncertainty.Overhang = j.overhangU.total()
}

// better reports whether a serves better than b: the overhang nearer to the
// optimum; then the wider sheet; then the slot with less left, to use up
// what hangs; then the lower number.
func better(a, b Candidate, optimum float64) bool {
	da, db := math.Abs(a.Overhang-optimum), math.Abs(b.Overhang-optimum)
	switch {
	case math.Abs(da-db) > lengthSlack:
		return da < db
	case math.Abs(a.Slot.Width-b.Slot.Width) > lengthSlack:
		return a.Slot.Width > b.Slot.Width
	case a.Left != b.Left:
		return a.Left < b.Left
	}
	return a.Slot.Number < b.Slot.Number
}
