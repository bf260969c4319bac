package record

import (
	"lapgate/gateway/handshake"
	"lapgate/recipe"
)

// carried is a setpoint with the field of the payload that carries it.
type carried struct {
	*recipe.Setpoint
	field handshake.SetpointField
}

// carriedSetpoints are the setpoints of the payload in register order.
var carriedSetpoints = func() []carried {
	var out []carried
	for _, f := range handshake.SetpointFields() {
		out = append(out, carried{recipe.SetpointOf(f.Setpoint), f})
	}
	return out
}()

// SetpointsOf are the setpoints that a payload tells, as far as the wire holds
// them; what is not sent is zero.
func SetpointsOf(p *handshake.Payload) recipe.Setpoints {
	s := recipe.Setpoints{Groups: recipe.Groups(p.Groups)}
	for i := range carriedSetpoints {
		c := &carriedSetpoints[i]
		c.Set(&s, c.field.SI(c.field.Get(p)))
	}
	return s
}
