package gateway

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"lapgate/gateway/control"
	"lapgate/gateway/cycle"
	"lapgate/recipe"
	"lapgate/recipe/problem"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// Override asks a line for a named person's setpoints for the request in view,
// or only what they would change. Errors: no such line, a line that has ended.
func (g *Gateway) Override(ctx context.Context, line string, o cycle.OverrideRoll) (cycle.OverrideAnswer, error) {
	return answerTo[cycle.OverrideAnswer](ctx, g, line, o)
}

// override resolves what a person wrote, and has it shown or done.
func (o *Operator) override(ctx context.Context, name string, r *control.Request) control.Reply {
	line := o.Gateway.recipeLine(name)
	changes, err := readSetpoints(r.Values)
	if err != nil {
		return control.Reply{Outcome: control.Usage, Error: err.Error()}
	}
	ask := cycle.OverrideRoll{Roll: r.Roll, By: r.By, User: r.Caller.User, Operator: badge(r.By), Text: r.Reason, Changes: changes, Preview: r.Shown == nil}
	if r.Shown != nil {
		ask.Token = *r.Shown
	}
	answer, err := o.Gateway.Override(ctx, name, ask)
	if err != nil {
		return o.reject(control.Failed, err)
	}
	if len(answer.Problems) > 0 {
		return o.rejectWord(name, answer.Problems)
	}
	p := &control.Proposal{Line: name, Roll: answer.Roll, Tag: answer.Tag, Token: answer.Token, Held: answer.Held}
	for _, c := range answer.Changes {
		s := recipe.SetpointOf(c.Name)
		p.Changes = append(p.Changes, control.Change{Setpoint: o.Gateway.Words().Text(s.Said()), Old: s.Write(line, c.Old), New: s.Write(line, c.New)})
	}
	reply := control.Reply{Outcome: control.Done, Proposal: p}
	if r.Shown != nil {
		said := wording.Say("reply.override", "roll", p.Roll, "by", r.By)
		if p.Held {
			said = wording.Say("reply.override.held", "roll", p.Roll, "by", r.By)
		}
		reply.Text = []string{o.onLine(name, said)}
	}
	return reply
}

// badge is the number of a badge that was given as a name, for the payload; 0 for any
// other name.
func badge(name string) uint32 {
	n, err := strconv.ParseUint(name, 10, 32)
	if err != nil {
		return 0
	}
	return uint32(n)
}

// recipeLine is the line as it is configured now.
func (g *Gateway) recipeLine(name string) *recipe.Line {
	s := g.present()
	if i := indexOf(s, name); i >= 0 {
		return s.Lines[i].Recipe
	}
	return &recipe.Line{} // a line is never removed while the gateway runs
}

// readSetpoints reads the setpoints that an override names, each with its unit,
// to their values in SI by their names in JSON. The error names every problem.
func readSetpoints(values []control.Value) (map[string]float64, error) {
	known := cycle.Overridable()
	words := make([]string, len(known))
	for i, name := range known {
		words[i] = recipe.SetpointOf(name).Word()
	}
	out := map[string]float64{}
	var problems problem.List
	for _, v := range values {
		i := slices.Index(words, v.Name)
		if i < 0 {
			i = slices.Index(known, v.Name)
		}
		if i < 0 {
			problems.Flag("value", v.Name+"="+v.Text, fmt.Errorf("%s: no setpoint of that name can be overridden; want one of %s", v.Name, strings.Join(words, ", ")))
			continue
		}
		s := recipe.SetpointOf(known[i])
		if _, twice := out[s.Name]; twice {
			problems.Flag("value", v.Name+"="+v.Text, fmt.Errorf("%s: given twice; give it once", v.Name))
			continue
		}
		value, err := readSetpoint(s, v.Text)
		if err != nil {
			err = fmt.Errorf("%s: %w", v.Name, err)
		}
		problems.Flag("value", v.Name+"="+v.Text, err)
		out[s.Name] = value
	}
	return out, problems.Err()
}

// readSetpoint reads a value as Setpoint.Write gives it.
func readSetpoint(s *recipe.Setpoint, text string) (float64, error) {
	if s.Form != recipe.Bits {
		return quantity.Parse(strings.TrimSpace(text), s.Dimension)
	}
	bits := uint16(0)
	if text == "none" {
		return 0, nil
	}
	for number := range strings.SplitSeq(text, ",") {
		n, err := strconv.Atoi(strings.TrimSpace(number))
		if err != nil || n < 1 || n > recipe.MaxZones {
			return 0, fmt.Errorf("got %q, want numbers of 1 to %d with commas between, or none", text, recipe.MaxZones)
		}
		bits |= 1 << (n - 1)
	}
	return float64(bits), nil
}
