package gateway

import (
	"context"
	"errors"
	"strings"

	"lapgate/gateway/cycle"
	"lapgate/recipe/wording"
)

// AcceptJournal lets a line go on with its journal in spite of what is doubted of it,
// in the name of a person and for a reason. It returns when the record is durable.
// Errors: name or reason missing, no such line, a line that has ended, nothing that is
// doubted.
func (g *Gateway) AcceptJournal(ctx context.Context, line string, who Person, reason string) error {
	if strings.TrimSpace(who.By) == "" || strings.TrimSpace(reason) == "" {
		return wording.Refuse(wording.Say("refused.accept-journal.name"))
	}
	l, err := g.line(line)
	if err != nil {
		return err
	}
	var refusal error
	err = l.ask(ctx, func(run context.Context) {
		if len(l.machine.Past().Doubts) == 0 {
			refusal = refused(line, wording.Say("refused.accept-journal.nothing"))
			return
		}
		l.handle(run, cycle.AcceptJournal{By: who.By, User: who.User, Reason: reason})
	})
	return errors.Join(err, refusal)
}
