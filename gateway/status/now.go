package status

import (
	"fmt"
	"math"
	"strings"
	"time"

	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/gateway/report"
	"lapgate/recipe"
	"lapgate/recipe/caution"
	"lapgate/recipe/quantity"
)

// Now is what the person at the line reads first: what is so, and what to do.
type Now struct {
	Need    bool        `json:"need"`  // somebody has to act
	State   string      `json:"state"` // in words
	Do      string      `json:"do"`    // one sentence
	Why     string      `json:"why,omitempty"`
	Where   string      `json:"where,omitempty" label:"the limit stands in"`
	Caution string      `json:"caution,omitempty"`
	Code    recipe.Code `json:"code,omitempty"`
	Steps   []string    `json:"steps,omitempty" label:"by hand"` // of the stations worked by hand
	Notes   []string    `json:"notes,omitempty"`                 // warnings
}

// staleAfter is how old a view of the controller may be to be called one.
const staleAfter = 5 * time.Second

// stale tells whether the view of the controller is no view any more.
func (l *Line) stale() bool {
	return l.Ended || !l.Connected || !l.Machine.Seen || l.Machine.Age > staleAfter
}

// seenAt is when the controller was last seen, zero for never.
func (l *Line) seenAt() time.Time {
	if !l.Machine.Seen {
		return time.Time{}
	}
	return l.At.Add(-l.Machine.Age)
}

// nowOf is what to say of a line. What needs somebody comes first, and of that what
// keeps the rest from being known.
func nowOf(l *Line, n *record.Newest, zone *time.Location) Now {
	switch m := &l.Machine; {
	case l.Ended:
		return endedNow(l, zone)
	case l.stale():
		return lostNow(l, zone)
	case m.Phase == handshake.Held:
		return heldNow(l, n)
	default:
		if out, ok := alarmNow(m); ok {
			return out
		}
	}
	switch m := &l.Machine; m.Phase {
	case handshake.Await:
		return waitingNow(l, n)
	case handshake.Run:
		return runningNow(l, n)
	case handshake.ByHand:
		return Now{State: "Station in manual", Do: "The operator wraps " + rollName(m) + " by hand; lapgate only records."}
	case handshake.Fault:
		return Now{Need: true, State: "Controller in fault", Do: "See at the panel of the controller which fault it is, clear it, then press reset.",
			Why: "The controller's program says that it is in fault.", Caution: caution.ReachIn.String()}
	}
	return Now{State: "No roll at the station", Do: "Nothing to do: the next roll is measured when it comes."}
}

func rollName(m *cycle.Status) string {
	if m.Tag == "" {
		return fmt.Sprintf("roll %d", m.Roll)
	}
	return fmt.Sprintf("roll %s", m.Tag)
}

func endedNow(l *Line, zone *time.Location) Now {
	out := Now{Need: true, State: "Line not served", Why: l.Error, Do: "See to the cause, then have the line served again: lapgate restart --line " + l.Name + " --by NAME."}
	if l.Alive() {
		out.Do = "See to the cause; the line is opened again by itself, in shadow, at " + clock(l.Again, zone) + "."
	}
	return out
}

func clock(t time.Time, zone *time.Location) string { return t.In(zone).Format("15:04:05") }

func lostNow(l *Line, zone *time.Location) Now {
	c, _ := cycle.ConditionOf("link-down")
	out := Now{Need: true, State: "No view of the controller", Do: c.Remedy, Why: l.Error, Code: recipe.Code(c.Code)}
	if at := l.seenAt(); !at.IsZero() {
		out.State += " since " + clock(at, zone)
	}
	if l.Connected { // it answers, but nothing that counts
		out.Code = ""
		out.Do = "Check that the controller's program runs, and the addresses of its blocks."
		if a, ok := alarmNow(&l.Machine); ok {
			out.Do, out.Why, out.Code = a.Do, a.Why, a.Code
		}
	}
	return out
}

// alarmNow tells of the first alarm that stands, if any does.
func alarmNow(m *cycle.Status) (Now, bool) {
	for _, key := range m.Conditions {
		if c, ok := cycle.ConditionOf(key); ok && c.Level == cycle.Alarm {
			return Now{Need: true, State: "Alarm: " + inWords(c.Code), Do: c.Remedy, Why: c.Meaning, Code: recipe.Code(c.Code)}, true
		}
	}
	return Now{}, false
}

// roundOf is the newest round of the roll at the station, nil where there is none.
func roundOf(m *cycle.Status, n *record.Newest) *record.Round {
	roll := n.Find(m.Roll)
	if roll == nil {
		return nil
	}
	d := roll.Round()
	if d == nil || d.Request.Token.Boot != m.Token.Boot {
		return nil
	}
	return d
}

// heldNow tells of a roll that the controller holds.
func heldNow(l *Line, n *record.Newest) Now {
	m := &l.Machine
	d := roundOf(m, n)
	if d != nil {
		if _, findings, ok := d.Decided(); ok && recipe.Held(findings) {
			out := holdingNow(m, d, findings)
			if l.Armed {
				out.State = "Roll held: " + out.State
				return out
			}
			out.State = "Roll held at the controller; in shadow lapgate would hold it too: " + out.State
			return out
		}
	}
	return Now{
		Need: true, State: "Roll held by the controller",
		Do:  "See at the panel of the controller what it asks for, do it, then press retry.",
		Why: "The controller holds " + rollName(m) + " for a reason of its own; lapgate has none.",
	}
}

func holdingNow(m *cycle.Status, d *record.Round, findings []recipe.Finding) Now {
	reason := handshake.NoHold
	if d.Offer != nil {
		reason = d.Offer.HoldReason
	}
	h := cycle.HoldingOf(m.Line, &d.Request, reason, findings)
	return Now{Need: true, State: h.Meaning, Do: h.Do, Why: upper(without(h.Text, h.Caution)), Where: h.Where, Caution: h.Caution, Code: h.Code, Notes: warnings(findings)}
}

func warnings(findings []recipe.Finding) []string {
	var out []string
	for i := range findings {
		if findings[i].Severity == recipe.Warn {
			out = append(out, upper(findings[i].Text))
		}
	}
	return out
}

// waitingNow tells of a roll that waits for its recipe.
func waitingNow(l *Line, n *record.Newest) Now {
	m := &l.Machine
	d := roundOf(m, n)
	if d == nil || d.Request.Token != m.Token {
		return Now{State: "Roll waits for its recipe", Do: "Nothing to do: " + rollName(m) + " is being measured and computed."}
	}
	if v := d.Verdict; v != nil && v.Verdict == handshake.Rejected {
		r := handshake.RejectReason(v.Reason)
		return Now{Need: true, State: "Roll waits: the controller rejects its recipe", Do: cycle.RejectRemedy(v.Reason), Why: "The controller says: " + r.String() + "."}
	}
	_, findings, ok := d.Decided()
	switch {
	case !ok || l.Armed:
		return Now{State: "Roll waits for its recipe", Do: "Nothing to do: the recipe of " + rollName(m) + " is on its way to the controller.", Notes: warnings(findings)}
	case recipe.Held(findings):
		out := holdingNow(m, d, findings)
		out.Need, out.State = false, "In shadow this roll would be held: "+out.State
		out.Why = "Nothing is written; the line wraps " + rollName(m) + " as it does without lapgate. " + out.Why
		return out
	}
	return Now{State: "Roll waits; in shadow nothing is written", Do: "Wrap " + rollName(m) + " as the line does without lapgate.",
		Why: "Lapgate would offer: " + recipeWords(m.Line, d) + ".", Notes: warnings(findings)}
}

// runningNow tells of a roll that is being wrapped.
func runningNow(l *Line, n *record.Newest) Now {
	m := &l.Machine
	out := Now{State: "Wrapping", Do: "Nothing to do: " + rollName(m) + " is being wrapped."}
	d := roundOf(m, n)
	if d == nil || m.Line == nil {
		return out
	}
	_, findings, _ := d.Decided()
	out.Notes = warnings(findings)
	if d.Verdict == nil || d.Verdict.Verdict != handshake.Accepted {
		return out
	}
	roll, stand := d.Request.Measurement()
	for _, step := range recipe.Instructions(m.Line, &roll, &stand) {
		out.Steps = append(out.Steps, without(step, caution.Ends.String()))
	}
	out.State = "Go: wrapping"
	out.Why = upper(recipeWords(m.Line, d)) + fmt.Sprintf(". Accepted %.0f s ago.", math.Max(0, l.At.Sub(d.VerdictAt.At).Seconds()))
	if len(out.Steps) > 0 {
		out.State, out.Do = "Go: wrapping "+rollName(m), out.Steps[0]
		out.Caution = caution.Ends.String()
	}
	return out
}

// recipeWords is the recipe of a round in a few words.
func recipeWords(line *recipe.Line, d *record.Round) string {
	p := payloadOf(d)
	if p == nil || line == nil {
		return "a recipe"
	}
	s := record.SetpointsOf(p)
	var parts []string
	add := func(format string, args ...any) { parts = append(parts, fmt.Sprintf(format, args...)) }
	if s.WrapperWidth > 0 {
		add("wrapper of %s from slot %d", report.Short(line, s.WrapperWidth, quantity.Length), s.Slot)
	}
	if s.Layers > 0 {
		add("%g layers", s.Layers)
	}
	if s.CrimpTurns > 0 {
		add("crimp %g turns", s.CrimpTurns)
	}
	if s.HeaderDwell > 0 {
		add("press %.0f s", s.HeaderDwell)
	}
	return strings.Join(parts, ", ")
}

// without cuts a caution off a text that ends with it: the page says it on its own.
func without(text, caution string) string {
	if caution == "" {
		return text
	}
	return strings.TrimSuffix(text, " "+caution)
}

// upper begins a sentence.
func upper(text string) string {
	if text == "" || text[0] < 'a' || text[0] > 'z' {
		return text
	}
	return string(text[0]-'a'+'A') + text[1:]
}

// inWords is a code in words.
func inWords(code string) string { return strings.ReplaceAll(code, "-", " ") }
