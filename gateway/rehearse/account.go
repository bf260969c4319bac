package rehearse

import (
	"context"
	"errors"
	"fmt"
	"math"

	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/sim"
)

// account is what a journal says of rolls, by number and by the number of the
// outcome: the simulator and the gateway each have words of their own. Roll
// numbers come again after the controller lost its memory, so each is counted.
type account struct {
	outcomes map[rollOutcome]int
	gaps     []rollRange
	seen     map[uint32]bool // roll numbers of any record
	met      map[uint32]bool // starts of the controller that the gateway met
	lost     map[uint32]bool // those of them at which its memory was found lost
}

// rollRange are roll numbers of which nothing can be known, inclusive.
type rollRange struct{ from, to uint32 }

type rollOutcome struct {
	boot, number uint32
	outcome      handshake.OutcomeKind
}

func readAccount(ctx context.Context, path string) (a *account, err error) {
	r, err := journal.OpenReader(ctx, path)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	a = &account{outcomes: map[rollOutcome]int{}, seen: map[uint32]bool{}, met: map[uint32]bool{}, lost: map[uint32]bool{}}
	var history record.History
	err = r.Replay(ctx, func(s record.Stored) error {
		newest, gaps := history.Past().Finished, len(history.Gaps())
		rolls, err := history.Add(s)
		if err != nil {
			return err
		}
		a.addRolls(rolls)
		for _, g := range history.Gaps()[gaps:] {
			a.addGap(&g, newest)
		}
		return nil
	})
	for boot := range history.Past().Boots {
		a.met[boot] = true
	}
	a.addRolls(history.Rest())
	return a, err
}

func (a *account) addRolls(rolls []*record.Roll) {
	for _, r := range rolls {
		a.seen[r.Number] = true
		switch {
		case r.Outcome != nil:
			a.outcomes[rollOutcome{r.Boot, r.Number, r.Outcome.Outcome.Outcome}]++
		case r.Gap != "":
			a.gaps = append(a.gaps, rollRange{r.Number, r.Number})
		}
	}
}

// addGap takes a gap, before which newest was the newest roll known to have been
// wrapped or to have left.
func (a *account) addGap(g *record.Gap, newest uint32) {
	if g.FromRoll != 0 {
		a.gaps = append(a.gaps, rollRange{g.FromRoll, g.ToRoll})
	}
	if g.Boot != 0 {
		// Nobody can know how many rolls came between that roll and the loss of the
		// controller's memory: the gap is open.
		a.gaps = append(a.gaps, rollRange{newest + 1, math.MaxUint32})
		a.met[g.Boot], a.lost[g.Boot] = true, true
	}
}

// take crosses one roll out, and reports whether the journal has it: as an
// outcome, or inside a gap.
func (a *account) take(boot, number uint32, outcome handshake.OutcomeKind) bool {
	k := rollOutcome{boot, number, outcome}
	if a.outcomes[k] > 0 {
		a.outcomes[k]--
		return true
	}
	return a.gap(boot, number)
}

// gap reports whether a gap record covers a roll: by its number, or because
// the controller lost its memory again before the gateway ever met the start
// under which the roll came, so that the next start met is one with its
// memory lost.
func (a *account) gap(boot, number uint32) bool {
	if !a.met[boot] {
		next := uint32(math.MaxUint32)
		for b := range a.met {
			if b > boot {
				next = min(next, b)
			}
		}
		if a.lost[next] {
			return true
		}
	}
	for _, g := range a.gaps {
		if number >= g.from && number <= g.to {
			return true
		}
	}
	return false
}

// Unaccounted holds the rolls of a shift against the journal and tells of each
// that it does not have.
func Unaccounted(ctx context.Context, path string, report *sim.Report) ([]string, error) {
	a, err := readAccount(ctx, path)
	if err != nil {
		return nil, err
	}
	missing := []string{}
	for i := range report.Rolls {
		r := &report.Rolls[i]
		for n, number := range r.Numbers {
			// A number that died with the controller's memory has no outcome;
			// the roll got one under its next number.
			if n < len(r.Numbers)-1 {
				if !a.seen[number] && !a.gap(r.Boots[n], number) {
					missing = append(missing, fmt.Sprintf("roll %s: the journal has no record of number %d and no gap over it", r.Tag, number))
				}
				continue
			}
			if !a.take(r.Boots[n], number, handshake.OutcomeKind(r.OutcomeNumber)) {
				missing = append(missing, fmt.Sprintf("roll %s, number %d, left as %s; the journal has neither that outcome nor a gap over it", r.Tag, number, r.Outcome))
			}
		}
	}
	return missing, nil
}
