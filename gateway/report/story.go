package report

import (
	"fmt"
	"math"
	"slices"
	"time"

	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// Story is all that can be told of one roll: what was measured, what was decided
// and why, what passed between gateway and controller, and what became of it.
type Story struct {
	Tag     string    `json:"roll"`
	Number  uint32    `json:"roll_no" label:"number"`
	Came    time.Time `json:"came_at" label:"came"`
	Left    time.Time `json:"left_at,omitzero" label:"left"`
	Verdict string    `json:"verdict" print:"words=page.verdict"` // go, hold or none
	Mode    string    `json:"mode" label:"how"`
	Outcome string    `json:"outcome"`
	Hold    *Hold     `json:"hold,omitempty" label:"held because"`
	Notes   []string  `json:"warnings,omitempty" label:"warnings"`
	// Basis says by which configuration the candidates, formulas, limits and margins
	// were computed again, and whether it is the one of then.
	Basis      string      `json:"computed_by,omitempty" label:"computed again by"`
	Scan       *Scan       `json:"scan,omitempty" label:"scan"`
	Window     *Window     `json:"window,omitempty" label:"window of the overhang"`
	Candidates []Candidate `json:"candidates,omitempty" label:"wrapper rolls on the stand"`
	Settings   []Setting   `json:"setpoints,omitempty" label:"setpoints"`
	Risks      []Risk      `json:"risks,omitempty" label:"chances of a bad wrap"`
	Scale      *Scale      `json:"scale,omitempty" label:"scale"`
	Exchange   []Happening `json:"exchange" label:"exchange with the controller"`
	Before     []Happening `json:"changed_before" label:"changed before it"`
	Steps      []StepOf    `json:"steps,omitempty" label:"step by step" print:"apart"`
}

// Hold is why a roll is or was held.
type Hold struct {
	Code    recipe.Code `json:"code,omitempty"`
	Meaning string      `json:"meaning"`
	Text    string      `json:"text" label:"why"`
	Where   string      `json:"where,omitempty" label:"the limit stands in"`
	Do      string      `json:"remedy"`
	Caution string      `json:"caution,omitempty"`
}

// Scan is what was measured of the roll, and of the press.
type Scan struct {
	Diameter  float64 `json:"diameter_m"`
	DiameterU float64 `json:"diameter_u_m" label:"its standard uncertainty"`
	Width     float64 `json:"width_m"`
	WidthU    float64 `json:"width_u_m" label:"its standard uncertainty"`
	Ovality   float64 `json:"ovality"`
	Taper     float64 `json:"taper_m"`
	Spread    float64 `json:"width_spread_m" label:"spread of the width"`
	Quality   float64 `json:"quality"`
	Age       float64 `json:"age_s"`
	Grade     string  `json:"grade,omitempty"`
	Core      string  `json:"core,omitempty"`
	Spec      string  `json:"spec,omitempty" label:"specification"`
	From      string  `json:"measured_from,omitempty"`
	Platen    float64 `json:"platen_c,omitempty" label:"cooler platen"`
	PlatenHot float64 `json:"platen_hot_c,omitempty" label:"hotter platen"`
}

// Window is what the overhang had to keep.
type Window struct {
	Min   float64 `json:"min_m" label:"least"`
	Max   float64 `json:"max_m" label:"greatest"`
	Lower string  `json:"least_by" label:"least by"`
	Upper string  `json:"greatest_by" label:"greatest by"`
}

// Candidate is one wrapper roll of the stand as it was seen for the roll.
type Candidate struct {
	Slot     int      `json:"slot"`
	Width    float64  `json:"width_m"`
	Paper    string   `json:"paper"`
	Overhang float64  `json:"overhang_m"`
	Left     *float64 `json:"left_m,omitempty" print:"head=length-left"`
	More     *int     `json:"rolls_left,omitempty" label:"rolls left"` // like this one, this one counted
	Chosen   bool     `json:"chosen"`
	Why      string   `json:"why"`
	Few      bool     `json:"few" label:"-"` // too few rolls left
}

// Setting is one setpoint with what bounds it.
type Setting struct {
	Station string  `json:"station"`
	Name    string  `json:"name" label:"-"` // with its SI unit
	Label   string  `json:"setpoint"`
	Value   float64 `json:"value" label:"-"`
	Text    string  `json:"text" label:"value"`
	U       string  `json:"uncertainty,omitempty" label:"u" print:"drop=3"`
	Limit   string  `json:"limit,omitempty"`
	Margin  string  `json:"margin,omitempty" print:"drop=2"`
	Where   string  `json:"where,omitempty" print:"drop=1"`
	Formula string  `json:"formula,omitempty" print:"below"`
}

// Risk is the chance of one kind of bad wrap.
type Risk struct {
	kind   recipe.RiskKind
	Kind   string  `json:"kind" label:"bad wrap"`
	Chance float64 `json:"chance"`
	Margin string  `json:"margin,omitempty"`
}

// Scale is what the scale read, and what it was expected to.
type Scale struct {
	Reading float64 `json:"reading_kg" label:"reading"`
	Gross   float64 `json:"gross_kg,omitempty" label:"expected"`
	Verdict string  `json:"verdict"`
	Text    string  `json:"text,omitempty"`
}

// Happening is one thing that happened, in a few words.
type Happening struct {
	Seq  uint64         `json:"seq,omitempty" label:"record"`
	At   time.Time      `json:"at,omitzero"`
	What wording.Phrase `json:"what"`
}

func phrase(s wording.Said) wording.Phrase { return wording.Phrase{Said: s} }

// StepOf is a step of the computation in the units of the line.
type StepOf struct {
	Title   string   `json:"title" label:""`
	Formula string   `json:"formula,omitempty"`
	Inputs  []string `json:"inputs,omitempty" label:"from"`
	Results []string `json:"results,omitempty" label:"gives"`
	Decided string   `json:"decided_by,omitempty" label:"decided by"`
}

// Told is a roll and what a story of it needs besides.
type Told struct {
	Roll   *record.Roll
	Newest *record.Newest
	// Words are the language in which it is told, nil for English.
	Words *wording.Words
	// Line is the configuration by which candidates, formulas and margins are
	// computed again, nil for none; Hash is its own.
	Line *recipe.Line
	Hash uint32
	// Of names the journals that tell of the roll, nil where it is one.
	Of *Of
}

// by is what the record of a journal tells, with the machine where there are several.
func (t *Told) by(journal int, what wording.Said) wording.Phrase {
	if t.Of == nil {
		return phrase(what)
	}
	return t.Of.by(journal, what)
}

// StoryOf tells a roll.
func StoryOf(t Told) (*Story, error) {
	roll := t.Roll
	units := t.Line
	if units == nil {
		units = &recipe.Line{}
	}
	w := t.Words
	s := &Story{Tag: roll.Tag, Number: roll.Number, Verdict: "none", Mode: w.Of("roll.nothing-offered"), Outcome: w.Of("roll.at-station"), Exchange: []Happening{}, Before: []Happening{}}
	s.left(w, roll)
	s.exchange(&t, units)
	s.corrected(&t)
	round := roll.Used()
	if round == nil {
		return s, nil
	}
	s.Came = round.RequestAt.At
	for _, c := range t.Newest.Before(round.RequestAt, 12) {
		s.Before = append(s.Before, Happening{c.Seq, c.At, t.by(c.Journal, record.SaidOf(c.Record, units))})
		if c, ok := c.Record.(record.Config); ok {
			for i := range c.Changes[:min(len(c.Changes), 6)] {
				s.Before = append(s.Before, Happening{What: phrase(c.Changes[i].Said("roll.changed"))})
			}
		}
	}
	s.scan(&round.Request, t.Line)
	words, findings, ok := round.Decided()
	if ok {
		if err := s.decided(&t, round, words, findings); err != nil {
			return nil, fmt.Errorf("roll %d: %w", roll.Number, err)
		}
	}
	if t.Line != nil {
		s.computed(&t, round)
	}
	return s, nil
}

func (s *Story) left(w *wording.Words, roll *record.Roll) {
	switch {
	case roll.Outcome != nil:
		s.Left, s.Outcome = roll.OutcomeAt.At, w.Text(roll.Outcome.Outcome.Outcome.Said())
		if g := roll.Outcome.Weighing; g != nil {
			s.Scale = &Scale{g.Reading, g.Gross, w.Of("weighed.verdict." + g.Verdict), w.Text(g.Told())}
		} else if kg := roll.Outcome.Outcome.Scale; kg > 0 {
			s.Scale = &Scale{Reading: float64(kg) / 10, Verdict: w.Of("weighed.verdict.none")}
		}
	case roll.Gap == record.HeldByOther:
		s.Outcome = w.Of("roll.not-arrived")
	case roll.Gap != "":
		s.Outcome = w.Of("roll.outcome-unknown", "why", wording.Word("gap", roll.Gap))
	}
}

// exchange lists what passed between gateway and controller about the roll.
func (s *Story) exchange(t *Told, line *recipe.Line) {
	roll := t.Roll
	add := func(at record.Stamp, key string, pairs ...any) {
		s.Exchange = append(s.Exchange, Happening{at.Seq, at.At, t.by(at.Journal, wording.Say(key, pairs...))})
	}
	for i := range roll.Rounds {
		d := &roll.Rounds[i]
		m := &d.Request.Measured
		add(d.RequestAt, "exchange.asked", "request", d.Request.Token.Req,
			"diameter", line.Write(m.Diameter, quantity.Length), "width", line.Write(m.Width, quantity.Length))
		for _, c := range d.Basis.Confirms {
			add(d.RequestAt, "exchange.confirmed", "by", c.By, "finding", c.Text)
		}
		if o := d.Override; o != nil {
			add(d.RequestAt, "exchange.override", "by", o.By, "change", o.Text)
		}
		switch {
		case d.Shadow != nil:
			add(d.ShadowAt, "exchange.shadow-"+d.Shadow.Verdict)
		case d.Offer != nil && d.Offer.Form == handshake.KindHold:
			h := cycle.HoldingOf(nil, nil, d.Offer.HoldReason, d.Offer.Findings)
			add(d.OfferAt, "exchange.hold", "offer", d.Offer.Offer, "why", h.Meaning)
		case d.Offer != nil:
			add(d.OfferAt, "exchange.recipe", "offer", d.Offer.Offer)
		}
		switch {
		case d.Verdict != nil:
			add(d.VerdictAt, "exchange.verdict", "verdict", handshake.VerdictSaid(d.Verdict.Verdict, d.Verdict.Reason))
		case d.Void != "":
			add(d.OfferAt, "exchange.void", "why", wording.Word("void", d.Void))
		case d.Unknown != "":
			add(d.OfferAt, "exchange.unknown", "why", wording.Word("gap", d.Unknown))
		case d.Committed:
			add(d.OfferAt, "exchange.committed")
		}
	}
	if roll.Outcome != nil {
		add(roll.OutcomeAt, "exchange.left", "outcome", roll.Outcome.Outcome.Outcome.Said())
	}
}

// corrected lists what people said of the records of the roll afterwards, such as that it
// was weighed again.
func (s *Story) corrected(t *Told) {
	roll := t.Roll
	type place struct {
		journal int
		seq     uint64
	}
	of := map[place]bool{}
	for i := range roll.Rounds {
		d := &roll.Rounds[i]
		for _, at := range []record.Stamp{d.RequestAt, d.ShadowAt, d.OfferAt, d.VerdictAt} {
			of[place{at.Journal, at.Seq}] = true
		}
	}
	left := place{roll.OutcomeAt.Journal, roll.OutcomeAt.Seq}
	of[left] = true
	for _, a := range t.Newest.Acts {
		c, ok := a.Record.(record.Correction)
		at := place{a.Journal, c.Seq}
		if !ok || c.Seq == 0 || !of[at] {
			continue
		}
		key := "exchange.corrected"
		if at == left {
			key = "exchange.corrected.outcome"
		}
		s.Exchange = append(s.Exchange, Happening{a.Seq, a.At, t.by(a.Journal, wording.Say(key, "by", c.By, "number", c.Seq, "reason", c.Reason))})
	}
}

func (s *Story) scan(r *record.Request, line *recipe.Line) {
	m := &r.Measured
	s.Scan = &Scan{
		Diameter: m.Diameter, DiameterU: m.DiameterU, Width: m.Width, WidthU: m.WidthU, Ovality: m.Ovality, Taper: m.Taper,
		Spread: m.WidthSpread, Quality: m.Quality, Age: m.Age, From: m.MeasuredFrom, Platen: r.Stand.Platen, PlatenHot: r.Stand.PlatenHot, Spec: m.Spec,
		Grade: fmt.Sprint(m.Grade), Core: fmt.Sprint(m.Core),
	}
	if line == nil {
		return
	}
	if g := line.Materials.Grade(m.Grade); g != nil {
		s.Scan.Grade = g.Name
	}
	if c := line.Materials.Core(m.Core); c != nil {
		s.Scan.Core = c.Name
	}
	_, s.Scan.Spec = line.SpecOf(m)
}

// decided takes what was decided, as it stands in the journal.
func (s *Story) decided(t *Told, round *record.Round, words []uint16, findings []recipe.Finding) error {
	var p handshake.Payload
	if err := handshake.DecodeStoredPayload(words, &p); err != nil {
		return err
	}
	w, line := t.Words, t.Line
	s.Mode = w.Of("roll.offered")
	switch {
	case round.Offer == nil:
		s.Mode = w.Of("roll.shadow")
	case round.Offer.Origin == handshake.Override:
		s.Mode = w.Of("roll.override", "by", round.Offer.By, "why", round.Offer.Reason)
	}
	for i := range findings {
		if findings[i].Severity == recipe.Warn {
			s.Notes = append(s.Notes, w.Text(findings[i].Told()))
		}
	}
	if p.Kind == handshake.KindHold {
		h := cycle.HoldingOf(round.Basis.Acts.Line(line), &round.Request, p.HoldReason, findings)
		s.Verdict, s.Hold = "hold", &Hold{h.Code, w.Text(h.Meaning), w.Text(h.Text), h.Where, w.Text(h.Do), w.Text(h.Caution)}
		return nil
	}
	s.Verdict = "go"
	points := record.SetpointsOf(&p)
	s.Settings = SettingsOf(w, line, &points)
	risk := recipe.Risk{}
	if round.Offer != nil {
		risk = round.Offer.Risk
	} else if round.Shadow != nil {
		risk = round.Shadow.Risk
	}
	for k, c := range risk {
		if c.Known {
			s.Risks = append(s.Risks, Risk{kind: recipe.RiskKind(k), Kind: w.Text(recipe.RiskKind(k).Said()), Chance: c.P})
		}
	}
	return nil
}

// computed computes the roll again, for what the journal does not hold.
func (s *Story) computed(t *Told, round *record.Round) {
	line := round.Basis.Acts.Line(t.Line)
	roll, stand := round.Request.Measurement()
	stand.PlatenRate = round.Basis.PlatenRate
	w := t.Words
	s.Basis = w.Of("roll.basis-same")
	if round.Offer != nil && round.Offer.ConfigHash != t.Hash {
		s.Basis = w.Of("roll.basis-other", "hash", handshake.ConfigHash(round.Offer.ConfigHash))
	} else if round.Offer == nil {
		s.Basis = w.Of("roll.basis-shadow")
	}
	var rec recipe.Recipe
	recipe.Compute(line, &roll, &stand, &rec)
	chosen := rec.Setpoints.Slot
	if v := s.setting("wrapper_slot"); v != nil {
		chosen = int(v.Value)
	}
	if x, ok := recipe.WrapperWindow(line, &roll, chosen); ok && !math.IsNaN(x.Overhang.Min) {
		s.Window = WindowOf(w, &x)
	}
	s.Candidates = CandidatesOf(w, line, &roll, &stand, chosen)
	s.explain(w, line, recipe.Explain(line, &roll, &stand))
	for i := range s.Settings {
		if p := recipe.FindSetpoint(s.Settings[i].Name); p != nil && p.HasU() {
			s.Settings[i].U = p.Write(line, p.U(&rec))
		}
	}
	for i := range s.Risks {
		for k, c := range rec.Risk {
			if kind := recipe.RiskKind(k); c.Known && kind == s.Risks[i].kind {
				s.Risks[i].Margin = line.WriteUnit(c.Margin, kind.Unit())
			}
		}
	}
}

func (s *Story) setting(name string) *Setting {
	return s.settingWhere(func(v Setting) bool { return v.Name == name })
}

// settingSaid is the setpoint whose label has a key of the table of sentences.
func (s *Story) settingSaid(key string) *Setting {
	return s.settingWhere(func(v Setting) bool { return recipe.SetpointOf(v.Name).Said().Key == key })
}

func (s *Story) settingWhere(is func(Setting) bool) *Setting {
	i := slices.IndexFunc(s.Settings, is)
	if i < 0 {
		return nil
	}
	return &s.Settings[i]
}

// explain takes the steps of the computation, and the formula of each setpoint from
// the step that gives it.
func (s *Story) explain(w *wording.Words, line *recipe.Line, steps []recipe.Step) {
	for _, one := range steps {
		out := StepOf{Title: w.Text(one.Title.Said), Formula: w.Text(one.Formula.Said), Decided: w.Text(one.Decided.Said)}
		for _, n := range one.Inputs {
			out.Inputs = append(out.Inputs, w.Text(n.Name.Said)+" = "+n.Text(line))
		}
		var given *Setting // that the step names first: its formula is the one of that
		for _, n := range one.Result {
			out.Results = append(out.Results, w.Text(n.Name.Said)+" = "+n.Text(line))
			if given == nil {
				given = s.settingSaid(n.Name.Key)
			}
		}
		if given != nil && given.Formula == "" {
			given.Formula = out.Formula
		}
		s.Steps = append(s.Steps, out)
	}
}

// CandidatesOf are the wrapper rolls of a stand as they are seen for a roll; chosen is
// the slot that its recipe takes, 0 for none.
func CandidatesOf(w *wording.Words, line *recipe.Line, roll *recipe.Roll, stand *recipe.Stand, chosen int) []Candidate {
	var out []Candidate
	for _, c := range recipe.Candidates(line, roll, stand) {
		one := Candidate{Slot: c.Slot.Number, Width: c.Slot.Width, Paper: c.Slot.Paper, Overhang: c.Overhang, Chosen: c.Slot.Number == chosen, Why: w.Text(c.Fit.Said())}
		switch {
		case one.Chosen:
			one.Why = w.Of("fit.taken")
		case c.Fit == recipe.Fits:
			one.Why = w.Of("fit.farther")
		}
		if !math.IsInf(c.Left, 1) {
			one.Left = &c.Left
		}
		if more, ok := check.RollsLeft(line, &c); ok {
			one.More, one.Few = &more, more <= line.Stand.WarnRolls
		}
		out = append(out, one)
	}
	return out
}

// stations are the groups of setpoints for people.
var stations = map[recipe.Station]string{
	recipe.GroupStand: "station.stand", recipe.GroupWrap: "station.wrap", recipe.GroupCrimp: "station.crimp", recipe.GroupGlue: "station.glue", recipe.GroupHeader: "station.press",
	recipe.GroupWeigh: "station.scale", recipe.GroupCentre: "station.centring", recipe.GroupDrives: "station.drives", recipe.Ungrouped: "station.heads",
}

// WindowOf is a window as it is told.
func WindowOf(w *wording.Words, x *recipe.Window) *Window {
	return &Window{x.Overhang.Min, x.Overhang.Max, w.Text(x.Lower.Said()), w.Text(x.Upper.Said())}
}

// SettingsOf are the setpoints in force, each with its limit and its margin to the
// nearer end of it; line may be nil.
func SettingsOf(w *wording.Words, line *recipe.Line, points *recipe.Setpoints) []Setting {
	var out []Setting
	units := line
	if units == nil {
		units = &recipe.Line{}
	}
	for _, v := range points.InForce() {
		if v.Derived && v.Value == 0 {
			continue // not on the wire
		}
		one := Setting{Station: w.Of(stations[v.Group]), Name: v.Name, Label: w.Text(v.Said()), Value: v.Value, Text: v.Text(units)}
		if line != nil && v.Limit.Of != nil {
			r := v.Limit.Of(line)
			one.Limit = w.Of("span", "from", v.Write(line, r.Min), "to", v.Write(line, r.Max))
			margin := math.Min(v.Value-r.Min, r.Max-v.Value)
			if v.Dimension == quantity.Temperature {
				one.Margin = line.Write(margin, quantity.TemperatureDifference)
			} else {
				one.Margin = v.Write(line, margin)
			}
			one.Where = line.Origins.Of(v.Limit.Key)
		}
		out = append(out, one)
	}
	return out
}

// Drawing draws the roll of the story from the side, in the units of a line.
func (s *Story) Drawing(w *wording.Words, line *recipe.Line) string {
	v := SideView{Window: s.Window}
	if s.Scan != nil {
		v.Width, v.Diameter = s.Scan.Width, s.Scan.Diameter
	}
	if w := s.setting("wrapper_width_m"); w != nil {
		v.Wrapper, v.Overhang = w.Value, (w.Value-v.Width)/2
	}
	if n := s.setting("wrapper_slot"); n != nil {
		v.Slot = int(n.Value)
	}
	for i := range line.Stand.Slots {
		if line.Stand.Slots[i].Number == v.Slot {
			v.Paper = line.Stand.Slots[i].Paper
		}
	}
	for i := range s.Candidates {
		if c := &s.Candidates[i]; c.Chosen { // as it hung then
			v.Paper = c.Paper
		}
	}
	return v.Drawing(w, line)
}
