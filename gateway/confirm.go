package gateway

import (
	"context"
	"fmt"
	"strings"

	"lapgate/gateway/control"
	"lapgate/gateway/cycle"
	"lapgate/recipe"
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
		return control.Reply{Outcome: control.Failed, Error: err.Error()}
	}
	if len(answer.Problems) > 0 {
		return control.Reply{Outcome: control.Refused, Error: "line " + name + ": " + strings.Join(answer.Problems, "\n")}
	}
	reply := control.Reply{Outcome: control.Done, Proposal: &control.Proposal{
		Line: name, Roll: answer.Roll, Tag: answer.Tag, Token: answer.Token, Held: answer.Held, Finding: answer.Text,
	}}
	if r.Shown != nil {
		text := "counts for this request alone, within five minutes or not at all"
		if answer.Held {
			text = "counts once: press retry at the controller within five minutes"
		}
		reply.Text = []string{fmt.Sprintf("line %s: roll %d: the word of %s %s", name, answer.Roll, r.By, text)}
	}
	return reply
}
