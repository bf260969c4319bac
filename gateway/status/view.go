package status

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"lapgate/gateway/alarm"
	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/gateway/report"
	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// View is what the daemon shows, as JSON has it and a terminal prints it. Numbers are
// SI, times in seconds.
type View struct {
	Version string      `json:"version"`
	Config  *configView `json:"config,omitempty"`
	Lines   []LineView  `json:"lines"`
}

// LineView is one line. What stands in Now, Conditions of Standing and Arming is for
// people; state names and numbers are for programs.
type LineView struct {
	Line       string               `json:"line"`
	Armed      bool                 `json:"armed"`
	Connected  bool                 `json:"connected"`
	Ended      bool                 `json:"ended"`
	Stale      bool                 `json:"stale"`           // there is no view of the controller
	Again      *time.Time           `json:"again,omitempty"` // when a line that has ended is opened again by itself
	Error      string               `json:"error,omitempty"`
	State      string               `json:"state"`
	Reason     string               `json:"reason,omitempty"`
	Session    *handshake.Session   `json:"session,omitempty"`
	Config     handshake.ConfigHash `json:"config_hash"`
	HoldAll    bool                 `json:"hold_all"`
	Request    *request             `json:"request,omitempty"` // absent until one was read
	Open       string               `json:"open_offer,omitempty"`
	CycleTime  float64              `json:"request_to_verdict_s,omitempty"`
	Conditions []string             `json:"conditions"`
	Alarms     []alarm.Alarm        `json:"alarms"`
	Counts     []count              `json:"counts"`
	At         time.Time            `json:"at"`
	Onward     *Onward              `json:"publication,omitempty"`
	Engine     *Engine              `json:"engine,omitempty"`
	Pair       *Pair                `json:"pair,omitempty"`

	Units    map[quantity.Dimension]string `json:"units"` // that the mill reads
	Now      Now                           `json:"now"`
	Arming   Arming                        `json:"arming"`
	Standing []Standing                    `json:"active_conditions"`
	Roll     *RollAt                       `json:"roll_at_station,omitempty"` // the newest that asked for a recipe
	Stand    []report.Candidate            `json:"stand"`
	Settings []report.Setting              `json:"recipe"` // of the newest roll that got one
	RecipeOf string                        `json:"recipe_of,omitempty"`
	Rolls    []RollRow                     `json:"rolls"` // that left, the newest first
}

// Arming says who allowed or forbade writing, empty where nobody did.
type Arming struct {
	By    string          `json:"by,omitempty"`
	Since time.Time       `json:"since,omitzero"`
	Why   string          `json:"why,omitempty"`
	Lasts *record.Lasting `json:"lasts,omitempty"` // over a restart; nil where it ends with the stay of the daemon
}

// ArmingWords says in a sentence whether anything is written, and who wanted it so.
func (v *LineView) ArmingWords(w *wording.Words, zone *time.Location) string {
	key, a := "page.shadow", &v.Arming
	if v.Armed {
		key = "page.armed"
	}
	if a.By == "" {
		return w.Of(key + ".configured")
	}
	pairs := []any{"by", a.By, "since", day(w, a.Since.In(zone), v.At)}
	if v.Armed {
		pairs = append(pairs, "until", a.end(w, v.At, zone))
	}
	if a.Why == "" { // a line is disarmed without asking why
		return w.Of(key, pairs...)
	}
	return w.Of(key+".why", append(pairs, "why", a.Why)...)
}

// day is a time of a day of the week, or where that is not the week of a view with its date.
func day(w *wording.Words, t, view time.Time) string {
	if !view.IsZero() && t.Sub(view).Abs() > 6*24*time.Hour {
		return t.Format("2006-01-02 15:04")
	}
	return w.Text(report.Weekday(t)) + " " + t.Format("15:04")
}

// end says until when a line is armed.
func (a *Arming) end(w *wording.Words, view time.Time, zone *time.Location) wording.Said {
	switch l := a.Lasts; {
	case l == nil:
		return wording.Say("page.until.daemon")
	case !l.Until.IsZero():
		return wording.Say("page.until.time", "at", day(w, l.Until.In(zone), view))
	case l.Rolls > 0:
		return wording.SayCount("page.until.rolls", l.Rolls)
	}
	return wording.Say("page.until.disarmed")
}

// Standing is a condition that stands, or stood and was not acknowledged.
type Standing struct {
	Code    string `json:"code"`
	Level   string `json:"level" print:"words=level"`
	Meaning string `json:"meaning"`
	Remedy  string `json:"remedy,omitempty"`
	Alarm   string `json:"alarm,omitempty" label:"alarm"` // its state; empty for none, or before its delay has passed
}

// RollAt is the roll at the station, or the newest that was there.
type RollAt struct {
	Number   uint32         `json:"roll_no"`
	Tag      string         `json:"roll"`
	Width    float64        `json:"width_m"`
	Diameter float64        `json:"diameter_m"`
	Verdict  string         `json:"verdict" print:"words=page.verdict"`
	Wrapper  float64        `json:"wrapper_width_m,omitempty"`
	Overhang float64        `json:"overhang_m,omitempty"`
	Window   *report.Window `json:"window,omitempty"`
	Slot     int            `json:"slot,omitempty"`
	Paper    string         `json:"paper,omitempty"`
}

// RollRow is one of the newest rolls.
type RollRow struct {
	Number   uint32    `json:"roll_no"`
	Tag      string    `json:"roll"`
	Left     time.Time `json:"left_at"`
	Verdict  string    `json:"verdict" print:"words=page.verdict"`
	Outcome  string    `json:"outcome" print:"words=outcome"`
	Overhang *float64  `json:"overhang_m,omitempty"`
	Scale    *float64  `json:"scale_kg,omitempty"`
	Weighed  string    `json:"weighed,omitempty" print:"words=weighed.verdict"` // what the scale says of the recipe
	Lost     bool      `json:"lost"`                                            // it did not leave as it should
	Wrong    bool      `json:"wrong"`                                           // the scale contradicts the recipe
}

type request struct {
	Age         float64 `json:"age_s"`
	Roll        uint32  `json:"roll_no"`
	Tag         string  `json:"roll"`
	Phase       string  `json:"phase"`
	Permissives uint32  `json:"permissives"`
	Produced    uint32  `json:"outcomes_produced"`
	Acked       uint32  `json:"outcomes_acknowledged"`
	Journaled   uint32  `json:"outcomes_journaled"`
	Stale       uint32  `json:"stale_commits"`
}

type count struct {
	Key string `json:"key"`
	N   uint64 `json:"n"`
}

// ViewFor is what there is to show at this moment: to a person in the language of the
// mill, to a program in English.
func (s Source) ViewFor(program bool) View {
	if program {
		s.Words = nil
	}
	lines := s.Lines()
	out := View{Version: s.Version, Config: s.configuration(), Lines: make([]LineView, len(lines))}
	for i := range lines {
		out.Lines[i] = s.viewOf(&lines[i], s.newest(lines[i].Name))
	}
	return out
}

func (s Source) newest(line string) *record.Newest {
	if s.Newest == nil {
		return &record.Newest{}
	}
	return s.Newest(line)
}

func (s Source) words() *wording.Words {
	if s.Words == nil {
		return nil
	}
	return s.Words()
}

func (s Source) zone() *time.Location {
	if s.Zone == nil {
		return time.Local
	}
	return s.Zone
}

func (s Source) viewOf(l *Line, n *record.Newest) LineView {
	m, w := &l.Machine, s.words()
	v := LineView{
		Line: l.Name, Armed: l.Armed, Connected: l.Connected, Ended: l.Ended, Stale: l.stale(), Error: l.Error,
		State: m.State.String(), Reason: m.Reason, Config: handshake.ConfigHash(m.Config), HoldAll: m.HoldAll,
		CycleTime: m.CycleTime.Seconds(), Conditions: []string{}, Counts: []count{}, At: l.At, Onward: l.Onward, Engine: l.Engine, Pair: l.Pair,
		Now: nowOf(w, l, n, s.zone()), Standing: []Standing{}, Stand: []report.Candidate{}, Settings: []report.Setting{}, Rolls: []RollRow{},
	}
	if !l.Again.IsZero() {
		v.Again = &l.Again
	}
	if m.Session != (handshake.Session{}) {
		s := m.Session
		v.Session = &s
	}
	if m.Seen {
		v.Request = &request{
			Age: m.Age.Seconds(), Roll: m.Roll, Tag: m.Tag, Phase: m.Phase.String(), Permissives: m.Permissives,
			Produced: m.Produced, Acked: m.Acked, Journaled: m.Journaled, Stale: m.StaleCommits,
		}
	}
	if m.Open != nil {
		v.Open = m.Open.String()
	}
	v.Conditions = append(v.Conditions, m.Conditions...)
	v.Alarms = Alarms(w, l.Alarms)
	for _, c := range m.Counts {
		v.Counts = append(v.Counts, count{c.Key, c.N})
	}
	for _, key := range m.Conditions {
		s := standingOf(w, key)
		if i := slices.IndexFunc(l.Alarms, func(a alarm.Alarm) bool { return a.Key == key }); i >= 0 {
			s.Alarm = alarmWords(w, &l.Alarms[i])
		}
		v.Standing = append(v.Standing, s)
	}
	for i := range l.Alarms {
		a := &l.Alarms[i]
		if (a.Active || a.State.Calls()) && !slices.Contains(m.Conditions, a.Key) {
			v.Standing = append(v.Standing, calling(w, a))
		}
	}
	if n.Mode != nil {
		if mode, ok := n.Mode.Record.(record.Mode); ok && mode.Armed == l.Armed {
			v.Arming = Arming{mode.By, n.Mode.At, mode.Reason, mode.Lasts}
		}
	}
	v.rolls(n)
	if m.Line != nil {
		v.Units = m.Line.Units
		v.station(w, m.Line, n)
	}
	return v
}

// Alarms are alarms with what they say in a language.
func Alarms(w *wording.Words, list []alarm.Alarm) []alarm.Alarm {
	out := append([]alarm.Alarm{}, list...)
	for i := range out {
		if c, ok := cycle.ConditionOf(out[i].Key); ok {
			out[i].Meaning, out[i].Remedy = w.Text(c.Meaning), w.Text(c.Remedy)
		}
	}
	return out
}

// alarmWords is the state of an alarm with who brought it about.
func alarmWords(w *wording.Words, a *alarm.Alarm) string {
	state := wording.Say("alarm." + a.State.String())
	if a.By == "" {
		return w.Text(state)
	}
	return w.Of("alarm.by", "state", state, "by", a.By)
}

func standingOf(w *wording.Words, key string) Standing {
	c, ok := cycle.ConditionOf(key)
	if !ok { // of the shell, not of the machine
		return Standing{Code: key, Level: levelWord(cycle.Warning), Meaning: w.Of("page.condition-unknown", "code", wording.Capital(inWords(key)))}
	}
	out := Standing{Code: c.Code, Level: levelWord(c.Level), Meaning: w.Text(c.Meaning), Remedy: w.Text(c.Remedy)}
	if c.Of != "" {
		out.Meaning = w.Of("page.condition-of", "meaning", c.Meaning, "of", c.Of)
	}
	return out
}

// calling is an alarm that is none of the conditions of the machine.
func calling(w *wording.Words, a *alarm.Alarm) Standing {
	s := standingOf(w, a.Key)
	s.Alarm = alarmWords(w, a)
	switch {
	case a.Active: // raised by the shell, as of a line that is not served
	case cycle.Standing(s.Code):
		s.Remedy = w.Of("page.alarm-over", "alarm", a.Key)
	default: // told once, so that nothing tells when it is over
		s.Remedy += " " + w.Of("page.alarm-seen", "alarm", a.Key)
	}
	return s
}

// shownRolls is how many of the newest rolls are listed.
const shownRolls = 20

func (v *LineView) rolls(n *record.Newest) {
	for _, r := range slices.Backward(n.Rolls) {
		if len(v.Rolls) == shownRolls {
			break
		}
		if r.Outcome == nil {
			continue
		}
		row := RollRow{Number: r.Number, Tag: r.Tag, Left: r.OutcomeAt.At, Outcome: r.Outcome.Outcome.Outcome.String(), Verdict: "none"}
		if d := r.Used(); d != nil {
			row.decided(d)
		}
		if kg := r.Outcome.Outcome.Scale; kg > 0 {
			scale := float64(kg) / 10
			row.Scale = &scale
		}
		if g := r.Outcome.Weighing; g != nil {
			row.Weighed, row.Wrong = g.Verdict, g.Verdict == "wrong"
		}
		o := r.Outcome.Outcome.Outcome
		row.Lost = o == handshake.Lost || o == handshake.Aborted
		v.Rolls = append(v.Rolls, row)
	}
}

func (r *RollRow) decided(d *record.Round) {
	p := payloadOf(d)
	if p == nil {
		return
	}
	r.Verdict = verdictOf(p)
	if d.Offer == nil {
		r.Verdict += ", in shadow"
	}
	points := record.SetpointsOf(p)
	r.Overhang = report.OverhangOf(p, &points)
}

// payloadOf is what was decided on a round, nil where nothing was that can be read.
func payloadOf(d *record.Round) *handshake.Payload {
	words, _, ok := d.Decided()
	var p handshake.Payload
	if !ok || handshake.DecodeStoredPayload(words, &p) != nil {
		return nil
	}
	return &p
}

func verdictOf(p *handshake.Payload) string {
	if p.Kind == handshake.KindHold {
		return "hold"
	}
	return "go"
}

// station takes what stands at the station by the newest roll that asked for a recipe,
// and the newest recipe.
func (v *LineView) station(w *wording.Words, line *recipe.Line, n *record.Newest) {
	var at *record.Round
	for _, r := range slices.Backward(n.Rolls) {
		d := r.Round()
		if d == nil {
			continue
		}
		if at == nil {
			at = d
			v.Roll = &RollAt{Number: r.Number, Tag: r.Tag, Verdict: "none"}
		}
		if _, findings, _ := d.Decided(); recipe.Held(findings) {
			continue
		}
		if p := payloadOf(d); p != nil {
			points := record.SetpointsOf(p)
			v.Settings, v.RecipeOf = report.SettingsOf(w, line, &points), tagged(w, r.Tag, r.Number)
			break
		}
	}
	if at == nil {
		return
	}
	roll, stand := at.Request.Measurement()
	v.Roll.Width, v.Roll.Diameter = roll.Width, roll.Diameter
	v.Roll.decided(line, at)
	if x, ok := recipe.WrapperWindow(line, &roll, v.Roll.Slot); ok && !x.Empty() {
		v.Roll.Window = report.WindowOf(w, &x)
	}
	v.stand(w, line, n, &stand)
}

// stand takes the stand as the newest request tells it, for rolls like the newest of
// which it is known how they are wrapped.
func (v *LineView) stand(w *wording.Words, line *recipe.Line, n *record.Newest, stand *recipe.Stand) {
	chosen := v.Roll.Slot
	for i, r := range slices.Backward(n.Rolls) {
		if len(n.Rolls)-i > shownRolls {
			return
		}
		d := r.Round()
		if d == nil {
			continue
		}
		roll, _ := d.Request.Measurement()
		if list := report.CandidatesOf(w, line, &roll, stand, chosen); list != nil {
			v.Stand = list
			return
		}
		chosen = 0
	}
}

func (r *RollAt) decided(line *recipe.Line, d *record.Round) {
	p := payloadOf(d)
	if p == nil {
		return
	}
	r.Verdict = verdictOf(p)
	s := record.SetpointsOf(p)
	if p.Kind == handshake.KindHold || s.WrapperWidth == 0 {
		return
	}
	r.Wrapper, r.Slot = s.WrapperWidth, s.Slot
	r.Overhang = (s.WrapperWidth - r.Width) / 2
	if i := slices.IndexFunc(line.Stand.Slots, func(x recipe.SlotSpec) bool { return x.Number == s.Slot }); i >= 0 {
		r.Paper = line.Stand.Slots[i].Paper
	}
}

// OnwardWords says how far the records are sent onward, empty where they are not.
func (v *LineView) OnwardWords(w *wording.Words) string {
	switch o := v.Onward; {
	case o == nil:
		return ""
	case o.Error != "":
		return "▲ " + w.Of("page.onward.stuck", "count", o.Backlog, "why", o.Error)
	case !o.Connected:
		return w.Of("page.onward.none")
	default:
		return w.Of("page.onward", "number", o.Record, "count", o.Backlog)
	}
}

// PairWords says what the line is on this machine of two, empty where it is alone.
func (v *LineView) PairWords(w *wording.Words, zone *time.Location) string {
	p := v.Pair
	if p == nil {
		return ""
	}
	since := p.Since.In(zone).Format("15:04:05")
	switch {
	case p.Acts && p.Silent != "":
		return "▲ " + w.Of("page.pair.unproven", "since", since, "number", p.Lease, "why", p.Silent)
	case p.Acts:
		return w.Of("page.pair.acts", "since", since, "number", p.Lease, "other", OtherOf(p.Other, p.OtherThere))
	case p.Silent != "":
		return "▲ " + w.Of("page.pair.silent", "why", p.Silent)
	case p.Fenced:
		return "▲ " + w.Of("page.pair.fenced", "since", since)
	}
	return w.Of("page.pair.standby", "since", since, "machine", HolderOf(p.Holder))
}

// HolderOf says which machine holds a lease: its name, or nobody for an empty one.
func HolderOf(machine string) wording.Said {
	if machine == "" {
		return wording.Say("pair.nobody")
	}
	return wording.Plain(machine)
}

// OtherOf says whether the other machine of a pair is there. Its name is empty where none
// was seen.
func OtherOf(machine string, there bool) wording.Said {
	switch {
	case there:
		return wording.Say("page.pair.other", "machine", machine)
	case machine != "":
		return wording.Say("page.pair.other.gone", "machine", machine)
	}
	return wording.Say("page.pair.other.none")
}

// LinkWords says how the controller is seen.
func (v *LineView) LinkWords(w *wording.Words) string {
	switch {
	case v.Ended:
		return "▲ " + w.Of("now.ended")
	case !v.Connected:
		return "▲ " + w.Of("page.no-link")
	case v.Stale:
		return "▲ " + w.Of("page.no-view")
	}
	return w.Of("page.seen", "seconds", fmt.Sprintf("%.0f", math.Floor(v.Request.Age)))
}

// Writing is a line that is good for writing quantities as the mill reads them.
func (v *LineView) Writing() *recipe.Line { return &recipe.Line{Units: v.Units} }

// tagged is the tag of the roll, or its number where it has none.
func tagged(w *wording.Words, tag string, number uint32) string {
	return cmp.Or(tag, w.Of("now.roll.number", "number", number))
}
