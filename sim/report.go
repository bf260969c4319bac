package sim

import (
	"fmt"
	"slices"
	"time"

	"lapgate/sim/controller"
)

// Report is what became of a shift.
type Report struct {
	Planned      int            `json:"planned"`
	Rolls        []RollReport   `json:"rolls"`
	Took         float64        `json:"took_s"`
	Sessions     int            `json:"sessions"`
	Boots        int            `json:"boots"`
	MemoryLosses int            `json:"memory_losses"`
	Accepted     int            `json:"accepted"`
	Held         int            `json:"held"`
	Rejected     int            `json:"rejected"`
	Stale        uint32         `json:"stale_commits"`
	Produced     uint32         `json:"outcomes"`
	Acknowledged uint32         `json:"acknowledged"`
	Faults       []FaultCount   `json:"faults,omitempty"`
	Process      []ProcessCount `json:"process,omitempty"`
	Violations   []string       `json:"violations,omitempty"`
}

// RollReport is what became of one roll.
type RollReport struct {
	Ordinal  int      `json:"ordinal"`
	Numbers  []uint32 `json:"roll_no"` // more than one after loss of memory
	Boots    []uint32 `json:"boots"`   // of the controller, when each number was last used
	Tag      string   `json:"roll"`
	Diameter float64  `json:"diameter_m"` // true
	Width    float64  `json:"width_m"`    // true
	Outcome  string   `json:"outcome"`
	// OutcomeNumber is the outcome by its number in the handshake.
	OutcomeNumber controller.Outcome `json:"outcome_number"`
	Holds         []uint16           `json:"holds,omitempty"`
	Rejections    []uint16           `json:"rejections,omitempty"`
	Process       []string           `json:"process,omitempty"` // faults of the process that it met
	Judgement     *Judgement         `json:"judgement,omitempty"`
}

// number notes under which number the controller knows the roll, and at which
// of its starts.
func (r *RollReport) number(e *controller.Event) {
	boot := e.Boot
	if e.Kind == controller.EventOutcome {
		boot = e.Under
	}
	if n := len(r.Numbers); n > 0 && r.Numbers[n-1] == e.Roll {
		r.Boots[n-1] = boot
		return
	}
	r.Numbers, r.Boots = append(r.Numbers, e.Roll), append(r.Boots, boot)
}

// countProcess counts, for each fault of the process, the rolls that met it and
// those of them that were judged bad.
func (r *Report) countProcess() {
	for i := range r.Process {
		p := &r.Process[i]
		for k := range r.Rolls {
			roll := &r.Rolls[k]
			if !slices.Contains(roll.Process, p.Fault) {
				continue
			}
			p.Rolls++
			if roll.Judgement != nil && !roll.Judgement.Good {
				p.Bad++
			}
		}
	}
}

// Good counts the wraps that the line judged good, and all it judged.
func (r *Report) Good() (good, judged int) {
	for i := range r.Rolls {
		if j := r.Rolls[i].Judgement; j != nil {
			judged++
			if j.Good {
				good++
			}
		}
	}
	return good, judged
}

// Count is how many rolls left with an outcome.
func (r *Report) Count(o controller.Outcome) (n int) {
	for i := range r.Rolls {
		if r.Rolls[i].OutcomeNumber == o {
			n++
		}
	}
	return n
}

// audit watches the program from outside and checks what the handshake
// promises, from records of its own.
type audit struct {
	need       uint32
	ttl        time.Duration
	newest     controller.Session
	accepted   map[uint64]string // by boot-independent roll
	offers     map[offerName]bool
	outcomes   map[uint32]controller.Outcome
	lastRoll   uint32
	life       uint64 // counts losses of memory, which begin roll numbers anew
	on         uint32
	gone       time.Duration
	ran, shut  bool   // outputs were on and the press was told to close
	button     bool   // start was down
	away       bool   // the sensor sees no roll
	awaySince  uint32 // tick of the first scan of that
	recipe     controller.Recipe
	violations []string
}

type offerName struct {
	session controller.Session
	offer   uint16
}

func newAudit(p controller.Config) *audit {
	return &audit{
		need: p.Permissives, ttl: p.CommitTTL, gone: p.GoneTime,
		accepted: map[uint64]string{}, offers: map[offerName]bool{}, outcomes: map[uint32]controller.Outcome{},
	}
}

func (a *audit) broken(format string, args ...any) {
	a.violations = append(a.violations, fmt.Sprintf(format, args...))
}

// scanned holds what the program drives after a scan against its inputs: nothing
// moves without a roll, all permissives and a press of start since it last stood,
// and the press closes only at the temperatures of the recipe.
func (a *audit) scanned(p *controller.Controller, in *controller.Inputs, tick uint32) {
	a.on = in.Permissives
	pressed := in.Start && !a.button
	a.button = in.Start
	if !in.RollPresent && !a.away {
		a.awaySince = tick
	}
	a.away = !in.RollPresent
	running, closes := p.Running(), p.PressCloses()
	if running {
		phase := p.Phase()
		if phase != controller.PhaseRun && phase != controller.PhaseManual || p.ConfirmWanted() || p.MemoryLost() {
			a.broken("motion: outputs are on in phase %s", phase)
		}
		if off := permissiveOff(a.need, in.Permissives); off != "" {
			a.broken("motion: outputs are on while %s is off", off)
		}
		if absent := time.Duration(tick-a.awaySince) * controller.Tick; a.away && absent >= a.gone {
			a.broken("motion: outputs are on without a roll for %s", absent)
		}
		if !a.ran && (!pressed || !in.RollPresent) {
			a.broken("motion: outputs came on without a press of start (%t) with a roll (%t)", pressed, in.RollPresent)
		}
	}
	if closes && !running {
		a.broken("motion: the press is told to close with the outputs off")
	}
	if r := &a.recipe; closes && !a.shut && p.Phase() == controller.PhaseRun && r.CloseLeast > 0 &&
		(float64(in.Platen)/10 < r.CloseLeast || float64(in.PlatenHot)/10 > r.CloseGreatest) {
		a.broken("motion: the press closes at %.1f and %.1f °C, told %.1f to %.1f", float64(in.Platen)/10, float64(in.PlatenHot)/10, r.CloseLeast, r.CloseGreatest)
	}
	a.ran, a.shut = running, closes
}

// restarted notes that the program was started again: nothing is on by that.
func (a *audit) restarted() { a.ran, a.shut = false, false }

// see holds one event against the promises. The measurement is the newest that
// the line gave the program.
func (a *audit) see(e *controller.Event, m *controller.Measurement) {
	switch e.Kind {
	case controller.EventMemoryLost:
		a.life++
		a.newest, a.lastRoll = controller.Session{}, 0
		a.outcomes = map[uint32]controller.Outcome{}
	case controller.EventAdopted:
		if e.Session.Epoch <= a.newest.Epoch {
			a.broken("S7: session %d adopted after session %d", e.Session.Epoch, a.newest.Epoch)
		}
		a.newest = e.Session
	case controller.EventEntered:
		if e.Roll != a.lastRoll+1 {
			a.broken("S10: roll %d entered after roll %d", e.Roll, a.lastRoll)
		}
		a.lastRoll = e.Roll
	case controller.EventOutcome:
		if o, twice := a.outcomes[e.Roll]; twice {
			a.broken("roll %d left as %s after it had left as %s", e.Roll, e.Outcome, o)
		}
		a.outcomes[e.Roll] = e.Outcome
		a.lastRoll = max(a.lastRoll, e.Roll)
	case controller.EventVerdict:
		if e.Verdict == controller.Accepted {
			a.recipe = e.Setpoints()
			a.accept(e, m)
		}
	}
}

func (a *audit) accept(e *controller.Event, m *controller.Measurement) {
	offer := fmt.Sprintf("offer %d of session %d", e.Offer, e.Session.Epoch)
	tag, diameter, width := e.Echo()
	if tag != m.Tag || diameter != m.Diameter || width != m.Width {
		a.broken("S1: roll %d accepted %s for %s, %d × %d, but %s, %d × %d stands there",
			e.Roll, offer, tag, diameter, width, m.Tag, m.Diameter, m.Width)
	}
	roll := a.life<<32 | uint64(e.Roll)
	if first, twice := a.accepted[roll]; twice {
		a.broken("S2: roll %d accepted %s after %s", e.Roll, offer, first)
	}
	a.accepted[roll] = offer
	name := offerName{e.Session, e.Offer}
	if a.offers[name] {
		a.broken("S3: %s accepted twice", offer)
	}
	a.offers[name] = true
	if e.Session != a.newest {
		a.broken("S7: %s accepted under session %d", offer, a.newest.Epoch)
	}
	if p := permissiveOff(a.need, a.on); p != "" {
		a.broken("S8: roll %d accepted %s while %s was off", e.Roll, offer, p)
	}
	if age := time.Duration(e.Tick-e.Echoed) * controller.Tick; age > a.ttl {
		a.broken("S9: roll %d accepted %s %s after the last look", e.Roll, offer, age)
	}
}
