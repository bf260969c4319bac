package report

import (
	"cmp"
	"slices"
	"time"

	"lapgate/gateway/alarm"
	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/wording"
)

// Mode is a stretch of time in which the line was written to, or not.
type Mode struct {
	From   time.Time  `json:"from" print:"head=from-when"` // may lie before the report
	To     *time.Time `json:"to,omitempty" print:"head=to-when"`
	State  string     `json:"state" print:"words=report.mode"` // armed, shadow
	By     string     `json:"by"`
	User   string     `json:"user,omitempty" print:"drop=1"`
	Reason string     `json:"reason,omitempty"`
}

// Break is a stretch of time in which the controller was not heard, or the daemon did
// not run. The record does not tell when it began: not before the newest record of
// before, and where there was an alarm, before that.
type Break struct {
	Cause string     `json:"cause" print:"words=report.break"`
	From  time.Time  `json:"not_before" label:"not before"`     // the newest record before it
	To    *time.Time `json:"to,omitempty" print:"head=to-when"` // nil where it lasts
	Most  float64    `json:"most_s" label:"at most"`
	Alarm *float64   `json:"alarm_s,omitempty" label:"at least"` // how long its alarm stood
}

// Causes of a break that are none of a session; all have their words below report.break.
const (
	breakDaemon = "the daemon did not run"
	breakLink   = "no link"
)

// Wrapper is what was used of the wrapper in a slot, and what is left.
type Wrapper struct {
	Slot   int      `json:"slot"`
	Width  float64  `json:"width_m,omitempty"` // 0 where it is not known
	Paper  string   `json:"paper,omitempty"`
	Rolls  int      `json:"rolls"`
	Used   float64  `json:"used_m" label:"used"` // by the encoder
	Unread int      `json:"rolls_without_reading" label:"rolls without a reading"`
	Left   *float64 `json:"left_m,omitempty" label:"left" print:"head=length-left"` // at the newest request
}

// fold is what a report keeps of the record while it is read.
type fold struct {
	line  *recipe.Line // nil where no configuration is known
	hash  uint32
	units *recipe.Line

	history record.History
	acts    []record.Stored // of the line
	told    record.Acts     // of persons, that count now
	times   times

	newest  time.Time       // of the records so far
	begins  bool            // it was the first of a file
	start   time.Time       // newest record before a start of the daemon that no session followed
	alarmed time.Time       // since when the alarm of the link stands
	request *record.Request // newest of the report
	basis   record.Basis    // of it

	arriving bool
	held     []HeldGap

	sheets []*record.Roll // that get a sheet
	extra  int            // rolls that get none
}

// follow takes what a record tells of the line.
func (s *Shift) follow(r record.Stored) {
	f := &s.fold
	if record.OfLine(r.Record) {
		f.acts = append(f.acts, r)
	}
	switch x := r.Record.(type) {
	case record.Mode:
		s.mode(r)
	case record.Carry:
		if x.Mode != nil && len(s.Modes) == 0 {
			s.mode(record.Stored{Seq: r.Seq, At: r.At, Record: *x.Mode})
		}
	case record.Config:
		if x.Start && !f.newest.IsZero() && !f.begins {
			s.interrupted(breakDaemon, f.newest, r.At)
		}
		if x.Start {
			f.start = r.At
		}
	case record.Session:
		if cycle.Interrupted(x.Cause) && f.start.IsZero() {
			s.interrupted(x.Cause, f.newest, r.At)
		}
		f.start = time.Time{}
	case record.Alarm:
		s.alarm(r.At, &x)
	case record.Request:
		if s.within(r.At) {
			f.request, f.basis = &x, f.history.Past().Basis(x.Token)
		}
	case record.Gap:
		if s.within(r.At) {
			s.gap(r, &x)
		}
	}
	f.begins = r.Record.Kind() == record.KindOrigin || r.Record.Kind() == record.KindCarry
	if s.within(r.At) {
		s.Changes = append(s.Changes, record.Tell(r)...)
	}
	f.newest = r.At
}

// mode takes a record that allowed or forbade writing: one before the report is where
// it begins.
func (s *Shift) mode(r record.Stored) {
	m, ok := r.Record.(record.Mode)
	if !ok || s.Until != nil && !r.At.Before(*s.Until) {
		return
	}
	state := "shadow"
	if m.Armed {
		state = "armed"
	}
	n := len(s.Modes)
	if s.Since != nil && r.At.Before(*s.Since) {
		s.Modes, n = s.Modes[:0], 0
	}
	if n > 0 {
		at := r.At
		s.Modes[n-1].To = &at
	}
	s.Modes = append(s.Modes, Mode{From: r.At, State: state, By: m.By, User: m.User, Reason: m.Reason})
}

// interrupted adds a break that ended, as far as it lies in the time of the report.
func (s *Shift) interrupted(cause string, from, to time.Time) {
	b := Break{Cause: cause, From: from, To: &to}
	if !s.fold.alarmed.IsZero() {
		stood := to.Sub(s.clip(s.fold.alarmed)).Seconds()
		b.Alarm, s.fold.alarmed = &stood, time.Time{}
	}
	s.addBreak(b, to)
}

func (s *Shift) addBreak(b Break, to time.Time) {
	if s.Since != nil && !to.After(*s.Since) || s.Until != nil && !b.From.Before(*s.Until) {
		return
	}
	if s.Until != nil && to.After(*s.Until) {
		to = *s.Until
	}
	b.Most = to.Sub(s.clip(b.From)).Seconds()
	if b.Alarm != nil {
		*b.Alarm = min(*b.Alarm, b.Most)
	}
	s.Breaks = append(s.Breaks, b)
}

// clip is a moment, or the beginning of the report where that is later.
func (s *Shift) clip(at time.Time) time.Time {
	if s.Since != nil && at.Before(*s.Since) {
		return *s.Since
	}
	return at
}

// alarm takes the alarm of the link.
func (s *Shift) alarm(at time.Time, r *record.Alarm) {
	if r.Alarm != cycle.ConditionLink {
		return
	}
	switch alarm.Act(r.Act) {
	case alarm.Raise:
		s.fold.alarmed = at
	case alarm.Clear:
		if !s.fold.alarmed.IsZero() { // in shadow no session tells of the end
			s.interrupted(breakLink, s.fold.alarmed, at)
		}
	}
}

// endBreak adds the break that lasts at the end of the record or of the report.
func (s *Shift) endBreak() {
	since := s.fold.alarmed
	if since.IsZero() {
		return
	}
	end := s.fold.newest
	if s.Until != nil {
		end = *s.Until
	}
	stood := end.Sub(s.clip(since)).Seconds()
	s.addBreak(Break{Cause: breakLink, From: since, Alarm: &stood}, end)
}

// draw books what a roll took of the wrapper of its slot.
func (s *Shift) draw(roll *record.Roll, r *Roll) {
	o := &roll.Outcome.Outcome
	if o.Slot == 0 || o.EncoderUsed == 0 && o.Outcome == handshake.Removed {
		return
	}
	w := Wrapper{Slot: int(o.Slot)}
	acts := &s.fold.told // of a roll that asked for no recipe
	if d := roll.Used(); d != nil {
		acts = &d.Basis.Acts
	}
	w.Width, w.Paper = hanging(s.fold.line, acts, w.Slot)
	if w.Width == 0 && r.Wrapper != nil {
		w.Width = *r.Wrapper
	}
	to := s.wrapper(w)
	to.Rolls++
	if r.Fed == nil {
		to.Unread++
	} else {
		to.Used += *r.Fed
	}
}

// wrapper is the row of a wrapper, in the order of slots.
func (s *Shift) wrapper(w Wrapper) *Wrapper {
	i := slices.IndexFunc(s.Wrappers, func(x Wrapper) bool { return x.Slot == w.Slot && x.Width == w.Width && x.Paper == w.Paper })
	if i < 0 {
		i, _ = slices.BinarySearchFunc(s.Wrappers, w.Slot+1, func(x Wrapper, next int) int { return cmp.Compare(x.Slot, next) })
		s.Wrappers = slices.Insert(s.Wrappers, i, w)
	}
	return &s.Wrappers[i]
}

// hanging is what hangs in a slot, as configured or as a person told.
func hanging(line *recipe.Line, acts *record.Acts, slot int) (width float64, paper string) {
	if line == nil {
		return 0, ""
	}
	for _, x := range acts.Line(line).Stand.Slots {
		if x.Number == slot {
			return x.Width, x.Paper
		}
	}
	return 0, ""
}

// left tells what is left on the wrapper rolls, by the newest request of the report.
func (s *Shift) left() {
	f := &s.fold
	if f.request == nil {
		return
	}
	roll, stand := f.request.Measurement()
	if f.line == nil {
		for i, e := range stand.Counted {
			for k := range slices.Backward(s.Wrappers) {
				if e.Known && s.Wrappers[k].Slot == i+1 {
					s.Wrappers[k].Left = &e.Length
					break
				}
			}
		}
		return
	}
	for _, c := range CandidatesOf(nil, f.basis.Acts.Line(f.line), &roll, &stand, 0) {
		s.wrapper(Wrapper{Slot: c.Slot, Width: c.Width, Paper: c.Paper}).Left = c.Left
	}
}

// HeldGap is a gap over outcomes that the other machine of a pair holds.
type HeldGap struct {
	At                 time.Time
	FromIndex, ToIndex uint32
	at                 int // of Gaps
}

// gap takes a gap of the record.
func (s *Shift) gap(r record.Stored, g *record.Gap) {
	s.Gaps = append(s.Gaps, Happening{r.Seq, r.At, phrase(record.SaidOf(*g, s.fold.units))})
	if g.Cause == record.HeldByOther && g.ToIndex != 0 {
		s.fold.held = append(s.fold.held, HeldGap{r.At, g.FromIndex, g.ToIndex, len(s.Gaps) - 1})
	}
}

// Held are the gaps over what the other machine of a pair holds.
func (s *Shift) Held() []HeldGap { return s.fold.held }

// Fill tells of such a gap in the journal of which machine all of it has arrived; empty
// where some of it has not.
func (s *Shift) Fill(g HeldGap, machine string) {
	what := &s.Gaps[g.at].What
	if machine == "" {
		*what = phrase(wording.Say("report.gaps.awaited", "what", what.Said))
		return
	}
	*what = phrase(wording.Say("report.gaps.arrived", "what", what.Said, "machine", machine))
}
