package physics

import "math"

// Plate is a heated platen of some thermal mass under a thermostat, by its
// area: C″·dT/dt = P″ − q·A_ring/A − U·(T − T_ambient).
type Plate struct {
	Mass        float64 // J/m²K; 25 mm of aluminium have 61 kJ/m²K
	Power       float64 // W/m² of its heater at full
	Loss        float64 // W/m²K to the surroundings
	Temperature float64
	Setpoint    float64
	// Error is how much hotter the plate is than its thermostat believes, K.
	Error float64
}

// thermostatGain turns the heater full on at this many kelvin below setpoint.
const thermostatGain = 3.0

// Step heats and cools for dt seconds; drawn is the heat that the press took,
// J for each m² of the plate.
func (p *Plate) Step(dt, ambient, drawn float64) {
	believed := p.Temperature - p.Error
	hold := p.Loss * (p.Setpoint - ambient)
	want := hold + p.Power*(p.Setpoint-believed)/thermostatGain
	p.Temperature += ((min(max(want, 0), p.Power)-p.Loss*(p.Temperature-ambient))*dt - drawn) / p.Mass
}

// RingArea is the area of a roll end that carries a platen, m²: the folded
// overhang, from the edge of the platen or of the head to where the fold or the
// core ends. Radii, m; 0 when nothing carries it.
func RingArea(roll, overhang, core, edge float64) float64 {
	outer, inner := min(roll, edge), max(roll-overhang, core)
	return max(math.Pi*(outer*outer-inner*inner), 0)
}

// Contact is how well heat passes from a platen into a head.
type Contact struct {
	Conductance float64 // W/m²K at the reference pressure
	Reference   float64 // Pa
	Exponent    float64 // of the pressure
	Low, High   float64 // Pa between which it follows the pressure
}

// AirGap is a contact conductance with air between platen and head besides, as
// thick as given in m.
func AirGap(conductance, air float64) float64 { return 1 / (1/conductance + air/airConductivity) }

// airConductivity is that of still air between 20 and 170 °C, W/mK.
const airConductivity = 0.03

// At is the conductance under a pressure, W/m²K. Without a pressure it is that
// at the reference.
func (c *Contact) At(pressure float64) float64 {
	if !(pressure > 0) || c.Exponent == 0 {
		return c.Conductance
	}
	return c.Conductance * math.Pow(min(max(pressure, c.Low), c.High)/c.Reference, c.Exponent)
}
