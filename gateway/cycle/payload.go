package cycle

import (
	"fmt"

	"lapgate/gateway/handshake"
	"lapgate/recipe"
	"lapgate/recipe/wording"
)

// sent is a setpoint with the field of the payload that carries it.
type sent struct {
	*recipe.Setpoint
	field handshake.SetpointField
}

// sentSetpoints are the setpoints of the payload in register order.
var sentSetpoints = func() []sent {
	var out []sent
	for _, f := range handshake.SetpointFields() {
		out = append(out, sent{recipe.SetpointOf(f.Setpoint), f})
	}
	return out
}()

// Fill writes the setpoints into the payload in the units of the wire, each
// rounded to the nearest. A value that does not fit its field (negative, too
// large, not a number) is not clamped: it comes back as a hold, and the
// payload must not be sent.
func Fill(p *handshake.Payload, s *recipe.Setpoints) []recipe.Finding {
	var bad []recipe.Finding
	p.Groups = uint16(s.Groups)
	for i := range sentSetpoints {
		c := &sentSetpoints[i]
		v := c.Get(s)
		n, ok := c.field.Nearest(v)
		if !ok {
			least, most := c.field.Range()
			bad = append(bad, recipe.Finding{
				Code: CodeDoesNotFit, Severity: recipe.Hold, Field: c.Name,
				Got: fmt.Sprintf("%g", v), Limit: fmt.Sprintf("%g to %g", c.field.SI(least), c.field.SI(most)),
			}.Saying(wording.Say("finding.setpoint-does-not-fit", "setpoint", c.Name)))
		}
		c.field.Put(p, n)
	}
	return bad
}
