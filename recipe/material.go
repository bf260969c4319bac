package recipe

// Materials are what rolls are wrapped with and what is known of the rolls
// themselves, shared by all lines of a configuration.
type Materials struct {
	Papers []Paper        `cfg:"papers" doc:"wrapper materials"`
	Stock  []HeadMaterial `cfg:"head_materials" doc:"head materials with their sizes in stock"`
	Grades []Grade        `cfg:"grades" doc:"paper grades of the rolls"`
	Cores  []Core         `cfg:"cores" doc:"cores of the rolls"`
	Specs  []Spec         `cfg:"specs" doc:"wrap specifications"`
}

// Bore of the core, m: its outer diameter less both walls.
func (c *Core) Bore() float64 { return c.Diameter - 2*c.Wall }

// Paper is one wrapper material.
type Paper struct {
	Name        string  `cfg:"name" doc:"its name"`
	Caliper     float64 `cfg:"caliper" unit:"length" default:"0.012 in" range:"0.02 mm..3 mm" measure:"measure the outer diameter of a wrapper roll before and after a counted length is drawn off, or ten layers pressed as they are wound" doc:"wound caliper of one layer"`
	CaliperU    float64 `cfg:"caliper_uncertainty" unit:"length" default:"0.005 mm" range:"0 mm..0.5 mm" doc:"standard uncertainty of the caliper"`
	LabelLength float64 `cfg:"label_length" unit:"length" default:"0 m" range:"0 m..50000 m" doc:"length that the label of a full roll tells, to calibrate the caliper by; 0 for none"`
	LabelOuter  float64 `cfg:"label_outer" unit:"length" default:"0 m" range:"0 m..3 m" doc:"outer diameter of that roll"`
	LabelCore   float64 `cfg:"label_core" unit:"length" default:"3 in" range:"0 mm..500 mm" doc:"outer diameter of its core"`
	BasisWeight float64 `cfg:"basis_weight" unit:"basis_weight" default:"200 g/m2" range:"20 g/m2..1000 g/m2" measure:"weigh a cut of a measured area" doc:"mass per area"`
	CoatedSide  Side    `cfg:"coated_side" default:"in" doc:"side with the coating: none, in or out"`
}

// Side tells on which side a wrapper is coated.
type Side uint8

// Sides of a coating: towards the roll or away from it.
const (
	Uncoated Side = iota
	CoatedIn
	CoatedOut
)

// Method is how the outer head is joined to the crimped overhang.
type Method uint8

// Methods of joining: a poly-coated head is fused, a plain one is glued and
// the platen only dries the glue.
const (
	Fused Method = iota
	Glued
)

// Bonds is the side of a wrapper that the bond of a head holds on.
type Bonds uint8

// Sides that a bond needs. A fused head brings its own coating and bonds to
// paper as to film.
const (
	BondsToAny Bonds = iota
	BondsToCoated
	BondsToPlain
)

// BondsOn reports whether the head bonds to a wrapper, which shows its outer
// side to an outer head and its inner side to an inner one.
func (m *HeadMaterial) BondsOn(p *Paper, outer bool) bool {
	shown := CoatedIn
	if outer {
		shown = CoatedOut
	}
	switch m.BondsTo {
	case BondsToCoated:
		return p.CoatedSide == shown
	case BondsToPlain:
		return p.CoatedSide != shown
	}
	return true
}

// HeadMaterial is one head material with the sizes in stock.
type HeadMaterial struct {
	Name          string    `cfg:"name" doc:"its name"`
	Method        Method    `cfg:"method" default:"fused" doc:"how it is joined: fused or glued"`
	Thickness     float64   `cfg:"thickness" unit:"length" default:"0.3 mm" range:"0.05 mm..5 mm" measure:"measure some heads with a micrometer" doc:"thickness between platen and bond line"`
	Conductivity  float64   `cfg:"conductivity" unit:"conductivity" default:"0.12 W/mK" range:"0.02 W/mK..2 W/mK" doc:"thermal conductivity"`
	Density       float64   `cfg:"density" unit:"density" default:"750 kg/m3" range:"100 kg/m3..3000 kg/m3" doc:"density"`
	HeatCapacity  float64   `cfg:"heat_capacity" unit:"heat_capacity" default:"1400 J/kgK" range:"500 J/kgK..5000 J/kgK" doc:"specific heat capacity"`
	BondTarget    float64   `cfg:"bond_temperature" unit:"temperature" default:"120 °C" range:"30 °C..200 °C" measure:"press samples at rising temperatures of the bond line until they tear in the board; begin with what the maker of the coating or glue says" doc:"temperature that the bond line must reach"`
	Setpoint      float64   `cfg:"platen_temperature" unit:"temperature" default:"350 °F" range:"40 °C..230 °C" doc:"platen setpoint; never above 200 °C"`
	BasisWeight   float64   `cfg:"basis_weight" unit:"basis_weight" default:"225 g/m2" range:"20 g/m2..3000 g/m2" measure:"weigh a cut of a measured area" doc:"mass per area"`
	ThicknessU    float64   `cfg:"thickness_uncertainty" unit:"length" default:"5 %" range:"0 mm..5 mm" of:"thickness" doc:"standard uncertainty of the thickness"`
	ConductivityU float64   `cfg:"conductivity_uncertainty" unit:"conductivity" default:"8 %" range:"0 W/mK..2 W/mK" of:"conductivity" doc:"standard uncertainty of the conductivity"`
	BondsTo       Bonds     `cfg:"bonds_to" default:"any" doc:"side of the wrapper that its bond holds on: any, coated or plain; the fold shows the outer side of the wrapper to an outer head, the inner side to an inner one"`
	Film          bool      `cfg:"film" default:"false" doc:"whether the head carries a film that no vapour passes; a glued head must not"`
	Diameters     []float64 `cfg:"diameters" unit:"length" doc:"sizes in stock"`
}

// Grade is one paper grade of the rolls.
type Grade struct {
	Code     int     `cfg:"code" range:"1..65535" doc:"code in the request of the controller"`
	Name     string  `cfg:"name" doc:"its name"`
	Density  float64 `cfg:"density" unit:"density" default:"800 kg/m3" range:"100 kg/m3..2000 kg/m3" measure:"weigh some rolls of known size, less core and wrapper" doc:"wound density"`
	DensityU float64 `cfg:"density_uncertainty" unit:"density" default:"10 kg/m3" range:"0 kg/m3..500 kg/m3" doc:"standard uncertainty of the density from roll to roll"`
	Spec     string  `cfg:"spec" doc:"its wrap specification, by name from specs"`
}

// Core is one core of the rolls.
type Core struct {
	Code     int     `cfg:"code" range:"1..65535" doc:"code in the request of the controller"`
	Name     string  `cfg:"name" doc:"its name"`
	Diameter float64 `cfg:"diameter" unit:"length" default:"3.8 in" range:"20 mm..500 mm" doc:"outer diameter: the bore, by which the trade calls a core, and both walls"`
	Wall     float64 `cfg:"wall" unit:"length" default:"0.4 in" range:"1 mm..100 mm" measure:"measure some cores with a caliper" doc:"thickness of its wall"`
	Mass     float64 `cfg:"mass" unit:"linear_mass" default:"1.2 kg/m" range:"0 kg/m..50 kg/m" measure:"weigh some cores of known length" doc:"mass per length"`
}

// Spec is a wrap specification: how a kind of roll is to be wrapped.
type Spec struct {
	Name       string   `cfg:"name" doc:"its name"`
	Papers     []string `cfg:"papers" doc:"wrapper materials allowed"`
	Head       string   `cfg:"head" doc:"material of the outer head"`
	InnerHead  string   `cfg:"inner_head" default:"" doc:"material of the inner head; empty for none"`
	Layers     float64  `cfg:"layers" default:"3" range:"1..20" doc:"layers of wrapper"`
	Overlap    float64  `cfg:"overlap" unit:"length" default:"6 in" range:"0 mm..1 m" doc:"overlap beyond the last full layer"`
	Tail       float64  `cfg:"tail" unit:"length" default:"0 mm" range:"0 mm..2 m" doc:"tail that is fed and cut off or tucked"`
	Overhang   Overhang `cfg:"overhang"`
	MinLap     float64  `cfg:"lap" unit:"length" default:"25 mm" range:"0 mm..300 mm" doc:"least lap of the folded overhang under the outer head"`
	CrimpTurns float64  `cfg:"crimp_turns" default:"1.25" range:"0.5..10" doc:"turns of the roll while crimping"`
	PleatPitch float64  `cfg:"pleat_pitch" unit:"length" default:"50 mm" range:"5 mm..500 mm" doc:"distance of the pleats on the rim of the roll, which sets the speed of the crimpers"`
	CrimpSpeed float64  `cfg:"crimp_speed" unit:"speed" default:"400 mm/s" range:"10 mm/s..5 m/s" doc:"greatest roll surface speed while crimping"`
}

// Overhang is the window of the overhang on each side and its optimum.
type Overhang struct {
	Optimum float64 `cfg:"optimum" unit:"length" default:"5 in" range:"0 mm..500 mm" doc:"the wanted overhang on each side"`
	Min     float64 `cfg:"min" unit:"length" default:"3 in" range:"0 mm..500 mm" doc:"least overhang on the poor side"`
	Max     float64 `cfg:"max" unit:"length" default:"7 in" range:"0 mm..1 m" doc:"greatest overhang on the rich side"`
}
