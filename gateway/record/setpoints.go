package record

import (
	"lapgate/gateway/handshake"
	"lapgate/recipe"
)

// CarriedSetpoint is a setpoint with the field of the payload that carries it.
type CarriedSetpoint struct {
	*recipe.Setpoint
	Field handshake.SetpointField
}

// CarriedSetpoints are the setpoints of the payload in register order.
func CarriedSetpoints() []CarriedSetpoint {
	var out []CarriedSetpoint
	for _, f := range handshake.SetpointFields() {
		out = append(out, CarriedSetpoint{recipe.SetpointOf(f.Setpoint), f})
	}
	return out
}

var carriedSetpoints = CarriedSetpoints()

// SetpointsOf are the setpoints that a payload tells, as far as the wire holds
// them; what is not sent is zero.
func SetpointsOf(p *handshake.Payload) recipe.Setpoints {
	s := recipe.Setpoints{Groups: recipe.Groups(p.Groups)}
	for i := range carriedSetpoints {
		c := &carriedSetpoints[i]
		c.Set(&s, c.Field.SI(c.Field.Get(p)))
	}
	return s
}
