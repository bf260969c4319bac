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
	"lapgate/recipe/wording"
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

// telling is the telling of one line, in a language.
type telling struct {
	*wording.Words
	line   *Line
	newest *record.Newest
	zone   *time.Location
}

// nowOf is what to say of a line. What needs somebody comes first, and of that what
// keeps the rest from being known.
func nowOf(w *wording.Words, l *Line, n *record.Newest, zone *time.Location) Now {
	t := telling{w, l, n, zone}
	switch m := &l.Machine; {
	case l.Ended:
		return t.ended()
	case l.stale():
		return t.lost()
	case m.Phase == handshake.Held:
		return t.held()
	default:
		if out, ok := t.alarm(); ok {
			return out
		}
	}
	switch l.Machine.Phase {
	case handshake.Await:
		return t.waiting()
	case handshake.Run:
		return t.running()
	case handshake.ByHand:
		return Now{State: w.Of("now.by-hand"), Do: w.Of("now.by-hand.do", "roll", t.roll())}
	case handshake.Fault:
		return Now{Need: true, State: w.Of("now.fault"), Do: w.Of("now.fault.do"), Why: w.Of("now.fault.why"), Caution: w.Text(caution.ReachIn.Said())}
	}
	return Now{State: w.Of("now.empty"), Do: w.Of("now.empty.do")}
}

// roll names the roll at the station.
func (t *telling) roll() wording.Said {
	m := &t.line.Machine
	if m.Tag == "" {
		return wording.Say("now.roll.number", "number", m.Roll)
	}
	return wording.Say("now.roll", "tag", m.Tag)
}

func (t *telling) ended() Now {
	l := t.line
	out := Now{Need: true, State: t.Of("now.ended"), Why: l.Error, Do: t.Of("now.ended.do", "line", l.Name)}
	if l.Alive() {
		out.Do = t.Of("now.ended.again", "at", clock(l.Again, l.At, t.zone))
	}
	return out
}

// clock is a time of the day of a view, with its date where it is of another.
func clock(t, view time.Time, zone *time.Location) string {
	t = t.In(zone)
	if t.Format(time.DateOnly) == view.In(zone).Format(time.DateOnly) {
		return t.Format(time.TimeOnly)
	}
	return t.Format(time.DateTime)
}

func (t *telling) lost() Now {
	l := t.line
	c, _ := cycle.ConditionOf("link-down")
	out := Now{Need: true, State: t.Of("now.lost"), Do: t.Text(c.Remedy), Why: l.Error, Code: recipe.Code(c.Code)}
	if at := l.seenAt(); !at.IsZero() {
		out.State = t.Of("now.lost.since", "at", clock(at, l.At, t.zone))
	}
	if l.Connected { // it answers, but nothing that counts
		out.Code = ""
		out.Do = t.Of("now.lost.do")
		if a, ok := t.alarm(); ok {
			out.Do, out.Why, out.Code = a.Do, a.Why, a.Code
		}
	}
	return out
}

// alarm tells of the first alarm that stands, if any does.
func (t *telling) alarm() (Now, bool) {
	for _, key := range t.line.Machine.Conditions {
		if c, ok := cycle.ConditionOf(key); ok && c.Level == cycle.Alarm {
			return Now{Need: true, State: t.Of("now.alarm", "code", inWords(c.Code)), Do: t.Text(c.Remedy), Why: t.Text(c.Meaning), Code: recipe.Code(c.Code)}, true
		}
	}
	return Now{}, false
}

// round is the newest round of the roll at the station, nil where there is none.
func (t *telling) round() *record.Round {
	m := &t.line.Machine
	roll := t.newest.Find(m.Roll)
	if roll == nil {
		return nil
	}
	d := roll.Round()
	if d == nil || d.Request.Token.Boot != m.Token.Boot {
		return nil
	}
	return d
}

// held tells of a roll that the controller holds.
func (t *telling) held() Now {
	if d := t.round(); d != nil {
		if _, findings, ok := d.Decided(); ok && recipe.Held(findings) {
			out := t.holding(d, findings)
			state := "now.held"
			if !t.line.Armed {
				state = "now.held.shadow"
			}
			out.State = t.Of(state, "why", out.State)
			return out
		}
	}
	return Now{Need: true, State: t.Of("now.held.other"), Do: t.Of("now.held.other.do"), Why: t.Of("now.held.other.why", "roll", t.roll())}
}

// again tells of a roll that was held and waits: it is tried once more, or its hold is on
// its way to the controller. Nothing says yet that what held it is gone.
func (t *telling) again(d *record.Round, findings []recipe.Finding) Now {
	out, key := t.holding(d, findings), "now.held"
	if d.Verdict != nil {
		key = "now.held.again"
	}
	out.State = t.Of(key, "why", out.State)
	return out
}

func (t *telling) holding(d *record.Round, findings []recipe.Finding) Now {
	reason := handshake.NoHold
	if d.Offer != nil {
		reason = d.Offer.HoldReason
	}
	h := cycle.HoldingOf(t.line.Machine.Line, &d.Request, reason, findings)
	why, care := t.Text(h.Text), t.Text(h.Caution)
	return Now{Need: true, State: t.Text(h.Meaning), Do: t.Text(h.Do), Why: wording.Capital(without(why, care)), Where: h.Where, Caution: care, Code: h.Code, Notes: t.warnings(findings)}
}

func (t *telling) warnings(findings []recipe.Finding) []string {
	var out []string
	for i := range findings {
		if findings[i].Severity == recipe.Warn {
			out = append(out, wording.Capital(t.Text(findings[i].Told())))
		}
	}
	return out
}

// waiting tells of a roll that waits for its recipe.
func (t *telling) waiting() Now {
	m := &t.line.Machine
	d := t.round()
	if d != nil && t.line.Armed {
		if _, findings, ok := d.Decided(); ok && recipe.Held(findings) {
			return t.again(d, findings)
		}
	}
	if d == nil || d.Request.Token != m.Token {
		return Now{State: t.Of("now.waits"), Do: t.Of("now.waits.computed", "roll", t.roll())}
	}
	if v := d.Verdict; v != nil && v.Verdict == handshake.Rejected {
		return Now{Need: true, State: t.Of("now.rejected"), Do: t.Text(cycle.RejectRemedy(v.Reason)), Why: t.Of("now.rejected.why", "reason", handshake.RejectReason(v.Reason).Said())}
	}
	_, findings, ok := d.Decided()
	switch {
	case !ok || t.line.Armed:
		return Now{State: t.Of("now.waits"), Do: t.Of("now.waits.delivered", "roll", t.roll()), Notes: t.warnings(findings)}
	case recipe.Held(findings):
		out := t.holding(d, findings)
		// The controller holds nothing: what would help is no act for now.
		out.Need, out.State = false, t.Of("now.shadow-hold", "why", out.State)
		out.Why = t.Of("now.shadow-hold.why", "roll", t.roll(), "why", t.Of("now.shadow-hold.help", "relief", out.Do)+" "+out.Why)
		out.Do = t.Of("now.shadow-go.do", "roll", t.roll())
		return out
	}
	return Now{State: t.Of("now.shadow-go"), Do: t.Of("now.shadow-go.do", "roll", t.roll()),
		Why: t.Of("now.shadow-go.why", "recipe", recipeWords(m.Line, d)), Notes: t.warnings(findings)}
}

// running tells of a roll that is being wrapped.
func (t *telling) running() Now {
	l, m := t.line, &t.line.Machine
	out := Now{State: t.Of("now.wraps"), Do: t.Of("now.wraps.do", "roll", t.roll())}
	d := t.round()
	if d == nil || m.Line == nil {
		return out
	}
	_, findings, _ := d.Decided()
	out.Notes = t.warnings(findings)
	if d.Verdict == nil || d.Verdict.Verdict != handshake.Accepted {
		return out
	}
	roll, stand := d.Request.Measurement()
	care := t.Text(caution.Ends.Said())
	for _, step := range recipe.Instructions(m.Line, &roll, &stand) {
		out.Steps = append(out.Steps, without(t.Text(step), care))
	}
	out.State = t.Of("now.go")
	out.Why = wording.Capital(t.Of("now.go.why", "recipe", recipeWords(m.Line, d), "seconds", fmt.Sprintf("%.0f", math.Max(0, l.At.Sub(d.VerdictAt.At).Seconds()))))
	if len(out.Steps) > 0 {
		out.State, out.Do = t.Of("now.go.roll", "roll", t.roll()), out.Steps[0]
		out.Caution = care
	}
	return out
}

// recipeWords is the recipe of a round in a few words.
func recipeWords(line *recipe.Line, d *record.Round) wording.Said {
	p := payloadOf(d)
	if p == nil || line == nil {
		return wording.Say("now.recipe")
	}
	s := record.SetpointsOf(p)
	var parts []wording.Said
	add := func(key string, pairs ...any) { parts = append(parts, wording.Say(key, pairs...)) }
	if s.WrapperWidth > 0 {
		add("now.recipe.wrapper", "width", report.Short(line, s.WrapperWidth, quantity.Length), "slot", s.Slot)
	}
	if s.Layers > 0 {
		add("now.recipe.layers", "layers", s.Layers)
	}
	if s.CrimpTurns > 0 {
		add("now.recipe.crimp", "turns", s.CrimpTurns)
	}
	if s.HeaderDwell > 0 {
		add("now.recipe.press", "seconds", fmt.Sprintf("%.0f", s.HeaderDwell))
	}
	return wording.Join("list.comma", parts)
}

// without cuts a caution off a text that ends with it: the page says it on its own.
func without(text, caution string) string {
	if caution == "" {
		return text
	}
	return strings.TrimSuffix(text, " "+caution)
}

// inWords is a code in words.
func inWords(code string) string { return strings.ReplaceAll(code, "-", " ") }
