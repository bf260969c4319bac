package recipe

import "math"

// Window is what the overhang of a roll must keep, and the rules that set its
// ends.
//
// With o the overhang (Ww − Wr)/2 of a roll that lies in the middle, e the
// centring tolerance, R the radius of the roll and u the standard uncertainty
// from the scan, the rules are, with a guard band of k·u each:
//
//	o − e ≥ minimum                     the poor side covers enough
//	o − e − (R − R_head) ≥ lap          the fold reaches under the outer head
//	o + e ≤ maximum                     the rich side still folds well
//	o + e ≤ R − R_core − clearance      the fold does not reach the core
type Window struct {
	Overhang Range    // of o; empty when Min is above Max
	Widths   Range    // of the wrapper widths that give it
	Lower    Boundary // the rule that sets Overhang.Min
	Upper    Boundary // the rule that sets Overhang.Max
}

// Empty reports whether no wrapper width would do.
func (w Window) Empty() bool { return !(w.Overhang.Min <= w.Overhang.Max+lengthSlack) }

// Contains reports whether an overhang keeps every rule.
func (w Window) Contains(o float64) bool {
	return o >= w.Overhang.Min-lengthSlack && o <= w.Overhang.Max+lengthSlack
}

// Boundary names the rule that sets one end of the window.
type Boundary uint8

// The rules of the window.
const (
	ByMinimum Boundary = iota // least overhang of the specification
	ByLap                     // least lap on the outer head
	ByMaximum                 // greatest overhang of the specification
	ByCore                    // the fold stays clear of the core
)

func (b Boundary) String() string {
	switch b {
	case ByMinimum:
		return "least overhang of the specification"
	case ByLap:
		return "least lap on the outer head"
	case ByMaximum:
		return "greatest overhang of the specification"
	case ByCore:
		return "clearance of the fold to the core"
	}
	return "unknown rule"
}

// Fit is whether the wrapper of a slot serves a roll, or why not.
type Fit uint8

// The reasons in the order in which they are looked for.
const (
	Fits       Fit = iota
	NotAllowed     // its material is not allowed by the specification, or not known
	NotReady       // the controller reports the slot as not ready
	TooNarrow
	TooWide
	TooShort // what is left on it does not reach
)

func (f Fit) String() string {
	switch f {
	case Fits:
		return "fits"
	case NotAllowed:
		return "material not allowed by the specification"
	case NotReady:
		return "not ready"
	case TooNarrow:
		return "too narrow"
	case TooWide:
		return "too wide"
	case TooShort:
		return "too little left"
	}
	return "unknown"
}

// Candidate is one slot of the stand as seen for one roll.
type Candidate struct {
	Slot     *SlotSpec
	Fit      Fit
	Overhang float64 // each side
	Need     float64 // feed and reserve, m; 0 when the material is not known
	Left     float64 // m; +Inf when the outer diameter is not known
}

// WrapperWindow is the window of the overhang for a roll. ok is false when
// the roll itself, its specification or its core is not known.
func WrapperWindow(line *Line, roll *Roll) (w Window, ok bool) {
	var out Recipe
	var stand Stand
	j := job{line: line, roll: roll, stand: &stand, out: &out}
	if !j.identify() {
		return Window{}, false
	}
	j.chooseHeads()
	return j.findWindow(), true
}

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
	j.window = j.findWindow()
	list := make([]Candidate, 0, len(line.Stand.Slots))
	for i := range line.Stand.Slots {
		c, _ := j.judge(&line.Stand.Slots[i])
		list = append(list, c)
	}
	return list
}

// findWindow puts the rules of Window together.
func (j *job) findWindow() Window {
	r, s, k := j.roll, j.spec, j.line.Limits.GuardK
	e := j.line.Centring.Tolerance
	widthOnly := k * r.WidthU / 2
	both := k * math.Hypot(r.WidthU/2, r.DiameterU/2)

	w := Window{Lower: ByMinimum, Upper: ByMaximum}
	w.Overhang.Min = s.Overhang.Min + e + widthOnly
	w.Overhang.Max = s.Overhang.Max - e - widthOnly
	if head := j.out.Setpoints.OuterHead; head > 0 {
		if lap := (r.Diameter-head)/2 + s.MinLap + e + both; lap > w.Overhang.Min {
			w.Overhang.Min, w.Lower = lap, ByLap
		}
	}
	coreDiameter := 0.0
	if j.core != nil {
		coreDiameter = j.core.Diameter
	}
	if room := (r.Diameter-coreDiameter)/2 - j.line.Crimp.Clearance - e - both; room < w.Overhang.Max {
		w.Overhang.Max, w.Upper = room, ByCore
	}
	if !(e >= 0 && k >= 0 && s.MinLap >= 0 && j.line.Crimp.Clearance >= 0) {
		// A negative reserve would widen the window.
		w.Overhang = Range{math.NaN(), math.NaN()}
	}
	w.Widths = Range{r.Width + 2*w.Overhang.Min, r.Width + 2*w.Overhang.Max}
	return w
}

// judge tells whether the wrapper of a slot serves the roll.
func (j *job) judge(slot *SlotSpec) (Candidate, *Paper) {
	c := Candidate{
		Slot:     slot,
		Overhang: (slot.Width - j.roll.Width) / 2,
		Left:     math.Inf(1),
	}
	paper := j.line.Materials.Paper(slot.Paper)
	if paper == nil || !allowed(j.spec.Papers, slot.Paper) || slot.Number < 1 || slot.Number > len(j.stand.Ready) {
		c.Fit = NotAllowed
		return c, paper
	}
	feed := feedLength(j.roll.Diameter, paper.Caliper, j.spec, j.line.Wrap.FeedSlip)
	c.Need = feed.Travel + j.line.Stand.Reserve
	// A stand that an operator works has no contacts to report.
	live := j.line.Equipment.Stand.Powered()
	if outer := j.stand.Outer[slot.Number-1]; outer != 0 && j.line.Equipment.Stand.Present() {
		c.Left = LengthLeft(outer, j.line.Stand.CoreDiameter, paper.Caliper)
	}
	switch {
	case live && !j.stand.Ready[slot.Number-1]:
		c.Fit = NotReady
	case !(c.Overhang >= j.window.Overhang.Min-lengthSlack):
		c.Fit = TooNarrow
	case !(c.Overhang <= j.window.Overhang.Max+lengthSlack):
		c.Fit = TooWide
	case !(c.Left >= c.Need):
		c.Fit = TooShort
	}
	return c, paper
}

// chooseSlot picks the wrapper. On a line whose operator hangs it, the slot
// that the operator confirmed is taken, if it fits.
func (j *job) chooseSlot() {
	j.window = j.findWindow()
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
		c, paper := j.judge(&j.line.Stand.Slots[i])
		if c.Fit == Fits && (best.Slot == nil || better(c, best, j.spec.Overhang.Optimum)) {
			best = c
			j.chosen, j.paper = c.Slot, paper
		}
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
	// A centring error is as likely anywhere within its tolerance: e/√3.
	j.out.Uncertainty.Overhang = math.Hypot(j.roll.WidthU/2, j.line.Centring.Tolerance/math.Sqrt(3))
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

func allowed(names []string, name string) bool {
	for _, n := range names {
		if n == name {
			return true
		}
	}
	return false
}

// LengthLeft is the wrapper left on a roll of outer diameter outer around a
// core, π(OD² − ID²)/(4t), in metres; 0 when the roll is not larger than its
// core.
func LengthLeft(outer, core, caliper float64) float64 {
	if !(outer > core && caliper > 0) {
		return 0
	}
	return math.Pi * (outer - core) * (outer + core) / (4 * caliper)
}
