package gateway

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"

	"lapgate/gateway/config"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/replay"
	"lapgate/recipe"
)

// How a configuration is judged by what it would have done, before it is put in force.
const (
	lookedAt   = 500  // newest rolls of a line that are decided again
	moreHolds  = 0.01 // share of requests that may be held newly without a question
	reserveFor = 50   // more requests than rolls: some rolls are measured again
)

// AskError says that a configuration would decide rolls otherwise that were recorded
// lately, so that a person has to agree to it first.
type AskError struct {
	Asks []string // what it would do, a line each
	// Answer is what agrees to exactly this.
	Answer string
}

// Error tells it all.
func (e *AskError) Error() string {
	return "a person has to agree to this configuration, with lapgate reload:\n" + strings.Join(e.Asks, "\n")
}

// wouldAsk decides the newest rolls of each line again, by the configuration in force
// and by the next one, and returns what a person has to agree to; nil for nothing.
// Every roll that was held and would go is asked for, and a share of rolls that would
// be held newly.
func (g *Gateway) wouldAsk(ctx context.Context, next *config.Snapshot, changes []record.ConfigChange) *AskError {
	now := g.present()
	e := &AskError{}
	for _, p := range g.lines {
		i, j := indexOf(now, p.name), indexOf(next, p.name)
		if i < 0 || j < 0 || !concerns(changes, j) {
			continue
		}
		asks, err := secondLook(ctx, next.Lines[j].Recipe, now.Lines[i].Recipe, p.loop().file)
		if err != nil {
			asks = []string{"nothing tells what it would do, for the journal cannot be read: " + err.Error()}
		}
		for _, text := range asks {
			e.Asks = append(e.Asks, "line "+p.name+": "+text)
		}
	}
	if len(e.Asks) == 0 {
		return nil
	}
	sum := sha256.New()
	fmt.Fprintf(sum, "%08x %08x\n%s", now.Hash, next.Hash, strings.Join(e.Asks, "\n"))
	e.Answer = fmt.Sprintf("%x", sum.Sum(nil))
	return e
}

// concerns reports whether a change is about a line: one of its own keys, or a shared
// one.
func concerns(changes []record.ConfigChange, line int) bool {
	for _, c := range changes {
		if i, _, own := keyOfLine(c.Key); !own || i == line {
			return true
		}
	}
	return false
}

// secondLook tells which of the newest rolls of a journal would be decided otherwise.
func secondLook(ctx context.Context, next, now *recipe.Line, from *journal.Shared) (asks []string, err error) {
	rolls, err := newestRolls(ctx, from)
	if err != nil {
		return nil, err
	}
	held := []string{}
	run := replay.NewRun(next, now, func(d *replay.Difference) error {
		switch {
		case d.Old.Held && !d.New.Held:
			asks = append(asks, fmt.Sprintf("roll %d %s was to be held (%s), and would go", d.Case.Number, d.Case.Tag, holdsOf(d.Old)))
		case !d.Old.Held && d.New.Held:
			held = append(held, fmt.Sprintf("%d (%s)", d.Case.Number, holdsOf(d.New)))
		}
		return nil
	})
	for _, roll := range rolls {
		if err := run.Roll(roll); err != nil {
			return nil, err
		}
	}
	sum, err := run.End()
	if err != nil {
		return nil, err
	}
	if float64(len(held)) > moreHolds*float64(sum.Compared) {
		const shown = 10
		text := strings.Join(held[:min(len(held), shown)], ", ")
		if len(held) > shown {
			text += ", ..."
		}
		asks = append(asks, fmt.Sprintf("%d of %d requests of the newest %d rolls went, and would be held: rolls %s", len(held), sum.Compared, len(rolls), text))
	}
	return asks, nil
}

// holdsOf names the findings that hold a roll.
func holdsOf(s *replay.Side) string {
	var codes []string
	for _, f := range s.Findings {
		if f.Severity == recipe.Hold {
			codes = append(codes, string(f.Code))
		}
	}
	return strings.Join(codes, ", ")
}

// newestRolls are the newest rolls of a journal that asked for a recipe, oldest first;
// none of one that does not exist. Archives of the journal are read too. What came before the first of them is not read, so
// that this takes as long for a year as for a week; it weighs the same in both
// decisions.
func newestRolls(ctx context.Context, from *journal.Shared) (rolls []*record.Roll, err error) {
	if _, err := os.Stat(from.Path()); errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	err = from.Read(ctx, journal.OpenWhole, func(r *journal.Reader) (err error) {
		rolls, err = newestOf(ctx, r)
		return err
	})
	return rolls, err
}

func newestOf(ctx context.Context, r *journal.Reader) (rolls []*record.Roll, err error) {
	requests, err := r.List(ctx, journal.Filter{Kind: record.KindRequest, Limit: lookedAt + reserveFor, Newest: true})
	if err != nil || len(requests) == 0 {
		return nil, err
	}
	var history record.History
	begun := map[record.OfferName]bool{} // offers whose INTENT was read
	err = r.Walk(ctx, journal.Filter{FromSeq: requests[0].Seq}, func(e journal.Entry) error {
		if !told(e.Record, begun) {
			return nil
		}
		done, err := history.Add(e.Stored)
		rolls = append(rolls, done...)
		return err
	})
	rolls = append(rolls, history.Rest()...)
	asked := rolls[:0]
	for _, roll := range rolls {
		if len(roll.Rounds) > 0 {
			asked = append(asked, roll)
		}
	}
	return asked[max(0, len(asked)-lookedAt):], err
}

// told reports whether all that a record refers to was read.
func told(r record.Record, begun map[record.OfferName]bool) bool {
	switch r := r.(type) {
	case record.Intent:
		begun[r.Offer] = true
	case record.Commit:
		return begun[r.Offer]
	case record.Verdict:
		return begun[r.Offer]
	case record.Void:
		return begun[r.Offer]
	case record.Gap:
		return r.Closed == nil || begun[*r.Closed]
	}
	return true
}
