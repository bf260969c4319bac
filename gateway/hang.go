package gateway

import (
	"context"
	"errors"
	"fmt"

	"lapgate/gateway/control"
	"lapgate/gateway/cycle"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/problem"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// Hang asks a line to take a named person's word on what hangs in a slot, or only
// what would come of it. Errors: no such line, a line that has ended.
func (g *Gateway) Hang(ctx context.Context, line string, h cycle.HangWrapper) (cycle.HangAnswer, error) {
	return answerTo[cycle.HangAnswer](ctx, g, line, h)
}

// CountHeads asks a line to take a named person's count of heads, or only what would
// come of it. Errors: no such line, a line that has ended.
func (g *Gateway) CountHeads(ctx context.Context, line string, c cycle.CountHeads) (cycle.HeadsAnswer, error) {
	return answerTo[cycle.HeadsAnswer](ctx, g, line, c)
}

// SetStation asks a line to have a station worked by hand or as it is configured, or
// only what would come of it. Errors: no such line, a line that has ended.
func (g *Gateway) SetStation(ctx context.Context, line string, s cycle.SetStation) (cycle.StationAnswer, error) {
	return answerTo[cycle.StationAnswer](ctx, g, line, s)
}

// hang reads what a person wrote of a slot, and has it taken.
func (o *Operator) hang(ctx context.Context, name string, r *control.Request) control.Reply {
	h, err := readWrapper(r.Wrapper)
	if err != nil {
		return control.Reply{Outcome: control.Usage, Error: err.Error()}
	}
	h.By, h.User, h.Preview = r.By, r.Caller.User, !r.Agreed
	answer, err := o.Gateway.Hang(ctx, name, h)
	what := wording.Say("reply.hang", "slot", h.Slot, "act", answer.No)
	return o.answered(name, what, r.Agreed, answer.Problems, answer.Next, err)
}

// stock takes a person's count of heads.
func (o *Operator) stock(ctx context.Context, name string, r *control.Request) control.Reply {
	if r.Heads == nil {
		return o.reject(control.Refused, wording.Refuse(wording.Say("refused.stock.nothing")))
	}
	size, err := quantity.Parse(r.Heads.Size, quantity.Length)
	if err != nil {
		return control.Reply{Outcome: control.Usage, Error: problem.OfFlag("size", r.Heads.Size, err).Error()}
	}
	answer, err := o.Gateway.CountHeads(ctx, name, cycle.CountHeads{Material: r.Heads.Material, Diameter: size, Count: r.Heads.Count, By: r.By, User: r.Caller.User, Preview: !r.Agreed})
	what := wording.Say("reply.stock", "head", r.Heads.Material, "size", o.Gateway.recipeLine(name).Write(size, quantity.Length))
	return o.answered(name, what, r.Agreed, answer.Problems, answer.Next, err)
}

// station has a station worked as a person wants it.
func (o *Operator) station(ctx context.Context, name string, r *control.Request) control.Reply {
	s := cycle.SetStation{Station: r.Station, ByHand: r.Mode == recipe.Manual.String(), Until: r.Until, By: r.By, User: r.Caller.User, Reason: r.Reason, Preview: !r.Agreed}
	if m := o.Gateway.recipeLine(name).Equipment.Mode(r.Station); m != nil && !s.ByHand && r.Mode != m.String() {
		return o.reject(control.Refused, refused(name, wording.Say("refused.station.other", "station", r.Station, "mode", m)))
	}
	answer, err := o.Gateway.SetStation(ctx, name, s)
	return o.answered(name, wording.Plain(r.Station), r.Agreed, answer.Problems, answer.Next, err)
}

// answered is the reply to an act at the line.
func (o *Operator) answered(line string, what wording.Said, done bool, problems []wording.Said, next wording.Said, err error) control.Reply {
	switch {
	case err != nil:
		return o.reject(control.Failed, err)
	case len(problems) > 0:
		return o.rejectWord(line, problems)
	}
	said := wording.Say("reply.next", "what", what, "next", next)
	if done {
		said = wording.Say("reply.recorded", "what", what, "next", next)
	}
	return control.Reply{Outcome: control.Done, Text: []string{o.onLine(line, said)}}
}

// readWrapper reads what a person wrote of a slot. The error names every problem.
func readWrapper(w *control.Wrapper) (h cycle.HangWrapper, err error) {
	if w == nil {
		return h, errors.New("no slot is named; give its number and what hangs there")
	}
	h = cycle.HangWrapper{Slot: w.Slot, State: record.Hangs, Paper: w.Paper, Corrects: w.Correct}
	var problems problem.List
	read := func(flag, text string, to *float64) {
		if text == "" {
			return
		}
		v, err := quantity.Parse(text, quantity.Length)
		if err == nil && !(v > 0) {
			err = fmt.Errorf("got %q, want a length above zero", text)
		}
		problems.Flag(flag, text, err)
		*to = v
	}
	read("width", w.Width, &h.Width)
	read("outer", w.Outer, &h.Outer)
	read("length", w.Length, &h.Length)
	switch {
	case w.Empty && w.OutOfService:
		problems.Add(errors.New("a slot is empty or out of service; say one of them"))
	case w.Empty:
		h.State = record.Empty
	case w.OutOfService:
		h.State = record.OutOfService
	case w.Correct != 0 && w.Width == "" && w.Paper == "" && w.Outer == "" && w.Length == "":
		h.State = record.AsBefore
	case w.Width == "" || w.Paper == "":
		problems.Add(errors.New("a wrapper has a width and a paper; give both, or say that the slot is empty or out of service"))
	}
	if w.Outer != "" && w.Length != "" {
		problems.Add(errors.New("outer diameter and length tell the same; give one of them"))
	}
	return h, problems.Err()
}
