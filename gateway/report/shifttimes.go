package report

import (
	"slices"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
)

// StepTime is how long a step took on the rolls of a report.
type StepTime struct {
	Step     string  `json:"step" print:"words=report.step"`
	Rolls    int     `json:"rolls"`
	Least    float64 `json:"least_s" print:"head=smallest"`
	Median   float64 `json:"median_s"`
	Greatest float64 `json:"greatest_s" print:"head=largest"`
	By       string  `json:"told_by" label:"told by" print:"words=report.by"`
}

// Who tells the times: the clock of the journal, or the controller.
const (
	byJournal    = "journal"
	byController = "controller"
)

// times gathers seconds by step. The record tells apart what is listed and no more:
// of the stations only crimp and press report a time of their own.
type times struct {
	decide, answer, wrap, crimp, press, others, stay, between []float64
	last                                                      time.Time
}

// steps are the steps, by their words below report.step, of which anything is known.
func (t *times) steps() []StepTime {
	out := []StepTime{}
	for _, one := range []struct {
		step string
		list []float64
		by   string
	}{
		{"request to decision", t.decide, byJournal}, {"decision to verdict of the controller", t.answer, byJournal},
		{"crimp", t.crimp, byController}, {"press", t.press, byController}, {"wrap, heads and all else", t.others, byController},
		{"whole wrap, start to end", t.wrap, byController}, {"at the station, request to leaving", t.stay, byJournal}, {"from one roll to the next", t.between, byJournal},
	} {
		if n := len(one.list); n > 0 {
			slices.Sort(one.list)
			out = append(out, StepTime{Step: one.step, Rolls: n, Least: one.list[0], Median: median(one.list), Greatest: one.list[n-1], By: one.by})
		}
	}
	return out
}

// median is the middle of a sorted list, the mean of both middles of an even one.
func median(list []float64) float64 {
	n := len(list)
	return (list[(n-1)/2] + list[n/2]) / 2
}

// timeOf takes the times of a roll.
func (s *Shift) timeOf(roll *record.Roll) {
	t := &s.fold.times
	left := roll.OutcomeAt.At
	if !t.last.IsZero() {
		t.between = append(t.between, left.Sub(t.last).Seconds())
	}
	t.last = left
	if len(roll.Rounds) > 0 {
		t.stay = append(t.stay, left.Sub(roll.Rounds[0].RequestAt.At).Seconds())
	}
	for i := range roll.Rounds {
		d := &roll.Rounds[i]
		switch {
		case d.Offer != nil:
			t.decide = append(t.decide, d.OfferAt.At.Sub(d.RequestAt.At).Seconds())
		case d.Shadow != nil:
			t.decide = append(t.decide, d.ShadowAt.At.Sub(d.RequestAt.At).Seconds())
		}
		if d.Offer != nil && d.Verdict != nil && !d.Verdict.Settled {
			t.answer = append(t.answer, d.VerdictAt.At.Sub(d.OfferAt.At).Seconds())
		}
	}
	o := &roll.Outcome.Outcome
	if o.Outcome != handshake.Wrapped {
		return
	}
	crimp, press := float64(o.CrimpTime)/100, float64(o.Dwell)/100
	if o.CrimpTime > 0 {
		t.crimp = append(t.crimp, crimp)
	}
	if o.Dwell > 0 {
		t.press = append(t.press, press)
	}
	// Where the controller was started again in between, its clock went back.
	const day = 24 * 3600
	whole := float64(o.Ended-o.Start) / 100
	if o.Start == 0 || o.Ended == 0 || whole > day {
		return
	}
	t.wrap = append(t.wrap, whole)
	if rest := whole - crimp - press; rest >= 0 { // a simulated line may press faster than its clock runs
		t.others = append(t.others, rest)
	}
}
