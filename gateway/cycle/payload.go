package cycle

import (
	"fmt"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/wording"
)

// sentSetpoints are the setpoints of the payload in register order.
var sentSetpoints = record.CarriedSetpoints()

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
		n, ok := c.Field.Nearest(v)
		if !ok {
			least, most := c.Field.Range()
			bad = append(bad, recipe.Finding{
				Code: CodeDoesNotFit, Severity: recipe.Hold, Field: c.Name,
				Got: fmt.Sprintf("%g", v), Limit: fmt.Sprintf("%g to %g", c.Field.SI(least), c.Field.SI(most)),
			}.Saying(wording.Say("finding.setpoint-does-not-fit", "setpoint", c.Name)))
		}
		c.Field.Put(p, n)
	}
	return bad
}
