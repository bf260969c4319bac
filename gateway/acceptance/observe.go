package acceptance

import (
	"fmt"
	"slices"
	"strings"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/gateway/replay"
	"lapgate/recipe"
)

// Answer is an offer of the gateway that the controller took: a recipe, or a hold
// with the code of its first finding.
type Answer struct {
	Verdict Verdict `json:"verdict"`
	Code    string  `json:"code,omitempty"`
}

// Seen is what was observed of one roll. Answers, outcome and what was used are
// from the journal, judgement and defects from the simulator.
type Seen struct {
	Tag     string   `json:"roll"`
	Answers []Answer `json:"answers,omitempty"` // equal ones that follow each other once
	Outcome string   `json:"outcome,omitempty"`
	// Otherwise are setpoints that the line used otherwise than told, by the outcome, each
	// with more or less.
	Otherwise []string `json:"used_otherwise,omitempty"`
	Judged    Opinion  `json:"judged,omitempty"`
	Defects   []string `json:"defects,omitempty"` // kinds
	Missed    bool     `json:"fault_did_not_occur,omitempty"`

	findings []recipe.Code // of all offers, warnings too
	taken    recipe.Groups // of the recipe that was accepted
	inForce  []string      // its setpoints
	slot     int           // that it named
}

// See reads what the journal tells of one roll, which has several records where
// the controller lost its memory meanwhile. The error is that of a payload that
// cannot be read.
func See(tag string, rolls []*record.Roll) (Seen, error) {
	s := Seen{Tag: tag}
	for _, roll := range rolls {
		for i := range roll.Rounds {
			if err := s.answer(&roll.Rounds[i]); err != nil {
				return s, fmt.Errorf("roll %s: %w", tag, err)
			}
		}
		switch {
		case roll.Outcome != nil:
			s.Outcome = roll.Outcome.Outcome.Outcome.String()
		case roll.Gap != "":
			s.Outcome = handshake.Lost.String()
		}
		used := replay.NewComparison(replay.Usages())
		if err := used.Take(roll); err != nil {
			return s, err
		}
		s.compare(used)
	}
	return s, nil
}

// answer adds what came of one round.
func (s *Seen) answer(r *record.Round) error {
	if r.Offer == nil || r.Verdict == nil || r.Verdict.Verdict == handshake.Rejected {
		return nil
	}
	a := Answer{Verdict: Go}
	if r.Offer.Form == handshake.KindHold {
		a = Answer{Hold, r.Offer.HoldReason.String()}
	}
	first := true
	for _, f := range r.Offer.Findings {
		if f.Severity == recipe.Hold && first && a.Verdict == Hold {
			a.Code, first = string(f.Code), false
		}
		if !slices.Contains(s.findings, f.Code) {
			s.findings = append(s.findings, f.Code)
		}
	}
	if n := len(s.Answers); n == 0 || s.Answers[n-1] != a {
		s.Answers = append(s.Answers, a)
	}
	if a.Verdict != Go {
		return nil
	}
	var p handshake.Payload
	if err := handshake.DecodeStoredPayload(r.Offer.Payload, &p); err != nil {
		return err
	}
	told := record.SetpointsOf(&p)
	s.taken, s.slot, s.inForce = told.Groups, told.Slot, nil
	for _, v := range told.InForce() {
		s.inForce = append(s.inForce, v.Name)
	}
	return nil
}

// compare notes which setpoints the line did not do as told. How far it was off is
// measured with the noise of the run, which a report that is the same each time leaves out.
func (s *Seen) compare(used *replay.Comparison) {
	for i := range used.Wraps {
		w := &used.Wraps[i]
		if w.Held || w.Outcome != handshake.Wrapped {
			continue
		}
		for k := range w.Readings {
			r := &w.Readings[k]
			if !r.Exceeds() {
				continue
			}
			s.Otherwise = append(s.Otherwise, otherwise(&used.Usages[k].Field, r.Used > r.Ours))
		}
	}
}

// otherwise says how a setpoint was used that the line used otherwise than told.
func otherwise(f *replay.Field, more bool) string {
	switch {
	case f.Names():
		return "another " + f.Label
	case more:
		return f.Label + " more"
	}
	return f.Label + " less"
}

// String tells what was observed in a line.
func (s *Seen) String() string {
	var parts []string
	for _, a := range s.Answers {
		parts = append(parts, strings.TrimSpace(string(a.Verdict)+" "+a.Code))
	}
	text := strings.Join(parts, ", then ")
	if text == "" {
		text = "no offer was taken"
	}
	if s.Outcome != "" {
		text += "; " + s.Outcome
	}
	if s.Judged != "" {
		text += "; judged " + string(s.Judged)
		if len(s.Defects) > 0 {
			text += " (" + strings.Join(s.Defects, ", ") + ")"
		}
	}
	return text
}

// went reports whether a recipe was accepted.
func (s *Seen) went() bool {
	return slices.ContainsFunc(s.Answers, func(a Answer) bool { return a.Verdict == Go })
}

// held reports whether the roll was held.
func (s *Seen) held() bool {
	return slices.ContainsFunc(s.Answers, func(a Answer) bool { return a.Verdict == Hold })
}

// Judge holds what was observed of the rolls of a step against what it expects, and
// tells each thing that differs. noticed are the faults of the process that the
// record showed with one of its rolls.
func (s *Step) Judge(seen []Seen, noticed []string) (differs []string) {
	add := func(format string, args ...any) {
		if text := fmt.Sprintf(format, args...); !slices.Contains(differs, text) {
			differs = append(differs, text)
		}
	}
	for i := range seen {
		r := &seen[i]
		if r.Missed {
			add("the fault %s did not occur", s.Fault)
		}
		s.judgeAnswers(r, add)
		want := s.Expected.Outcome
		if want == "" && s.Expected.Verdict == Go {
			want = handshake.Wrapped.String()
		}
		if want != "" && r.Outcome != want {
			add("roll %s: outcome %s, want %s", r.Tag, spoken(r.Outcome), want)
		}
		if len(r.Otherwise) > 0 && s.Expected.Verdict != Noticed {
			add("roll %s: the line did otherwise than told: %s", r.Tag, strings.Join(r.Otherwise, ", "))
		}
	}
	s.judgeWraps(seen, add)
	if s.Expected.Verdict == Noticed && !overlap(s.Expected.Codes, noticed) {
		add("noticed: %s; want one of %s", spoken(strings.Join(noticed, ", ")), strings.Join(s.Expected.Codes, ", "))
	}
	return differs
}

func (s *Step) judgeAnswers(r *Seen, add func(string, ...any)) {
	switch s.Expected.Verdict {
	case Go:
		switch {
		case !r.went():
			add("roll %s: %s, want a recipe that is accepted", r.Tag, r)
		case s.Fault == (FaultName{}) && r.held():
			add("roll %s: %s, want a recipe at once", r.Tag, r)
		}
	case Hold:
		if len(r.Answers) == 0 || r.Answers[0].Verdict != Hold || !slices.Contains(s.Expected.Codes, r.Answers[0].Code) {
			add("roll %s: %s, want hold %s first", r.Tag, r, strings.Join(s.Expected.Codes, " or "))
		}
	case Either:
		if !r.went() && !r.held() {
			add("roll %s: %s, want a recipe or a hold", r.Tag, r)
		}
	case None:
		if r.went() {
			add("roll %s: %s, want no recipe that is accepted", r.Tag, r)
		}
	}
}

// judgeWraps holds the simulator's opinion against the one expected.
func (s *Step) judgeWraps(seen []Seen, add func(string, ...any)) {
	want := s.Expected.Judged
	if want == "" && (s.Expected.Verdict == Go || s.Expected.Verdict == Either) {
		want = Good
	}
	bad := 0
	for i := range seen {
		r := &seen[i]
		if r.Judged != Bad || s.Expected.Verdict == Either && r.Outcome != handshake.Wrapped.String() {
			continue
		}
		if bad++; want == Good {
			add("roll %s: the simulator judges the wrap bad: %s", r.Tag, strings.Join(r.Defects, ", "))
		}
	}
	if want == Bad && bad == 0 {
		add("the simulator judges no wrap bad, want one at least")
	}
}

// spoken is a word for what may be empty.
func spoken(text string) string {
	if text == "" {
		return "nothing"
	}
	return text
}

func overlap(a, b []string) bool {
	return slices.ContainsFunc(a, func(x string) bool { return slices.Contains(b, x) })
}

// String tells what a step expects, in a line.
func (e *Expected) String() string {
	text := string(e.Verdict)
	if len(e.Codes) > 0 {
		text += " " + strings.Join(e.Codes, " or ")
	}
	if e.Outcome != "" {
		text += "; " + e.Outcome
	}
	if e.Judged != "" {
		text += "; judged " + string(e.Judged)
	}
	return text
}
