package thermal

import "math"

// boils is the temperature, °C, that a wet bond line does not pass.
const boils = 100

// Dry is the target of a glued head: its bond line at a temperature, °C, but
// no more than that of boiling water, and the water of the glue, kg/m²,
// evaporated there.
func Dry(bond, water float64) Target { return Target{bond: math.Min(bond, boils), water: water} }

// boardTakes is how much of the glue's water a board takes up, as a share of its
// basis weight: what raises its moisture from 7 to 12 %.
const boardTakes = 0.05

// GlueWater is the water that has to be driven out of glue, kg/m²: what is in
// the wet coverage, less what the board of the head takes up, not below 0.
// coverage and basisWeight are in kg/m², solids is the share that stays.
func GlueWater(coverage, solids, basisWeight float64) float64 {
	return math.Max(0, coverage*(1-solids)-boardTakes*basisWeight)
}

// latent is the heat of evaporation of water at a temperature, J/kg: the line
// through 2.36 MJ/kg at 60 °C and 2.26 MJ/kg at 100 °C. Water bound below
// about 10 % moisture needs more, which is not counted.
func latent(celsius float64) float64 { return 2.26e6 + (boils-celsius)*(2.36e6-2.26e6)/40 }

// soaking is the share of the heating time that counts where the heat drawn by
// the backing is computed. With it, heating and drying together take 1.0 to 1.5
// times as long as by a numerical solution of the enthalpy. Only where the
// backing has a lower effusivity than the head, with little water on a thick
// head under a hot platen, the time comes out up to 5 % too short.
const soaking = 0.3

// dry adds the time to evaporate the water once the bond line is warm. From then
// on the bond line keeps its temperature: the heat a flows in from the platen
// each second, the backing takes b/(2√time) of it, and the rest evaporates water.
// Over a time X that is a·X − b·√X; the drying begins at the share soaking of the
// heating time.
func (p Pressing) dry(t Target, s solution) solution {
	h := p.Head
	path := h.Thickness / h.Conductivity
	resistance := 1/h.Conductance + path
	a := (p.Platen - t.bond) / resistance
	b := 2 * invSqrtPi * p.Backing.Effusivity * (t.bond - p.Start)
	begun := soaking * s.heat
	root := math.Sqrt(begun)
	k := t.water*latent(t.bond) + a*begun - b*root
	turn := math.Sqrt(b*b + 4*a*k) // slope of a·x² − b·x at its root x
	x := (b + turn) / (2 * a)
	total := x*x + (1-soaking)*s.heat

	// Logarithmic derivatives of a and b by each input.
	byA := ByInput{
		Conductance:  1 / (h.Conductance * resistance),
		Thickness:    -path / resistance,
		Conductivity: path / resistance,
	}
	byB := ByInput{
		BackingEffusivity: 1,
		StartTemperature:  -(p.Start + zeroCelsius) / (t.bond - p.Start),
	}
	for i, g := range s.gradient {
		later := (a*begun - b*root/2) * g // by the heating time
		dx := (a*byA[i]*(begun-x*x) + b*byB[i]*(x-root) + later) / turn
		s.gradient[i] = (2*x*dx + (1-soaking)*s.heat*g) / total
	}
	s.seconds = total
	return s
}
