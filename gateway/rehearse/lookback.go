package rehearse

import (
	"context"
	"slices"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/process"
	"lapgate/gateway/record"
	"lapgate/gateway/report"
	"lapgate/recipe"
	"lapgate/sim"
)

// DefectOf is what the simulator calls a kind of bad wrap that a go states the
// chance of.
func DefectOf(kind recipe.RiskKind) sim.DefectKind {
	return [recipe.RiskKinds]sim.DefectKind{
		recipe.RiskSheet: sim.SheetShort, recipe.RiskCore: sim.FoldOnCore, recipe.RiskOverhang: sim.OverhangOff, recipe.RiskLap: sim.LapShort,
		recipe.RiskHead: sim.HeadProud, recipe.RiskBond: sim.BondNotReached, recipe.RiskScorch: sim.PaperScorched,
	}[kind]
}

// AddJudged adds a wrap to the curve of stated chance and judged share.
func AddJudged(r *report.Reliability, risk *recipe.Risk, j *sim.Judgement) {
	for k := range risk {
		kind := recipe.RiskKind(k)
		if risk[k].Known {
			r.Add(kind, risk[k].P, slices.ContainsFunc(j.Defects, func(d sim.Defect) bool { return d.Kind == DefectOf(kind) }))
		}
	}
}

// lookBack looks at the journal of a shift with what the simulator says of its
// rolls: which faults of the process it shows, and how often what was stated with
// a chance came about.
func (r *Result) lookBack(ctx context.Context, line *recipe.Line) error {
	type number struct{ boot, roll uint32 }
	judged := map[number]*sim.Judgement{}
	for i := range r.Shift.Rolls {
		one := &r.Shift.Rolls[i]
		if last := len(one.Numbers) - 1; last >= 0 && one.Judgement != nil {
			judged[number{one.Boots[last], one.Numbers[last]}] = one.Judgement
		}
	}
	noticed := process.NewReport(r.Journal, line.Name, line)
	err := journal.ScanRolls(ctx, r.Journal, time.Time{}, func(uint64, uint64) {}, func(roll *record.Roll) error {
		if offer := wrappedBy(roll); offer != nil {
			if j := judged[number{roll.Boot, roll.Number}]; j != nil {
				AddJudged(&r.judged, &offer.Risk, j)
			}
		}
		return noticed.Take(roll)
	})
	r.Noticed, r.Stated = noticed.Findings, r.judged.Curves()
	return err
}

// wrappedBy is the offer that a roll was wrapped by, nil for none.
func wrappedBy(roll *record.Roll) *record.Intent {
	if roll.Outcome == nil || roll.Outcome.Outcome.Outcome != handshake.Wrapped {
		return nil
	}
	for i := range roll.Rounds {
		if o := roll.Rounds[i].Offer; o != nil && o.Offer == (record.OfferName{Session: roll.Outcome.Outcome.Session, Offer: roll.Outcome.Outcome.Offer}) {
			return o
		}
	}
	return nil
}

// Drawing draws stated chance against judged share as an SVG.
func (r *Result) Drawing(title string) string { return r.judged.Drawing(title) }
