package gateway

import (
	"context"

	"lapgate/gateway/control"
	"lapgate/gateway/cycle"
	"lapgate/recipe"
	"lapgate/recipe/wording"
)

// Confirm asks a line to take a named person's word on a finding of the request
// in view, or only what the finding says. Errors: no such line, a line that has
// ended.
func (g *Gateway) Confirm(ctx context.Context, line string, c cycle.ConfirmFinding) (cycle.ConfirmAnswer, error) {
	return answerTo[cycle.ConfirmAnswer](ctx, g, line, c)
}

// confirm has a finding shown, or its confirmation taken.
func (o *Operator) confirm(ctx context.Context, name string, r *control.Request) control.Reply {
	ask := cycle.ConfirmFinding{Roll: r.Roll, Finding: recipe.Code(r.Finding), By: r.By, User: r.Caller.User, Preview: r.Shown == nil}
	if r.Shown != nil {
		ask.Token = *r.Shown
	}
	answer, err := o.Gateway.Confirm(ctx, name, ask)
	if err != nil {
		return o.reject(control.Failed, err)
	}
	if len(answer.Problems) > 0 {
		return o.rejectWord(name, answer.Problems)
	}
	reply := control.Reply{Outcome: control.Done, Proposal: &control.Proposal{
		Line: name, Roll: answer.Roll, Tag: answer.Tag, Token: answer.Token, Held: answer.Held, Finding: o.Gateway.Words().Text(answer.Text),
	}}
	if r.Shown != nil {
		said := wording.Say("reply.confirm", "roll", answer.Roll, "by", r.By)
		if answer.Held {
			said = wording.Say("reply.confirm.held", "roll", answer.Roll, "by", r.By)
		}
		reply.Text = []string{o.onLine(name, said)}
	}
	return reply
}
