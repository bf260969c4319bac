package quantity

import (
	"math/big"
	"strings"
)

// Dimension names a kind of quantity. Its string is what the unit tag of a
// configured field holds.
type Dimension string

// The dimensions with the unit in which a value is held. None is a pure
// number. A temperature and a difference of temperatures are two dimensions,
// because only the first has an offset between °F and °C.
const (
	None                  Dimension = ""                       // 1
	Length                Dimension = "length"                 // m
	Time                  Dimension = "time"                   // s
	Temperature           Dimension = "temperature"            // °C
	TemperatureDifference Dimension = "temperature_difference" // K
	Speed                 Dimension = "speed"                  // m/s
	Acceleration          Dimension = "acceleration"           // m/s2
	Density               Dimension = "density"                // kg/m3
	Conductivity          Dimension = "conductivity"           // W/mK
	HeatCapacity          Dimension = "heat_capacity"          // J/kgK
	Conductance           Dimension = "conductance"            // W/m2K
	ThermalResistance     Dimension = "thermal_resistance"     // m2K/W
	Effusivity            Dimension = "effusivity"             // J/m2K√s
	BasisWeight           Dimension = "basis_weight"           // kg/m2
	LinearMass            Dimension = "linear_mass"            // kg/m
	Mass                  Dimension = "mass"                   // kg
	Pressure              Dimension = "pressure"               // Pa
	Force                 Dimension = "force"                  // N
	LineLoad              Dimension = "line_load"              // N/m
	Frequency             Dimension = "frequency"              // Hz
	Rotation              Dimension = "rotation"               // revolutions per second
	Area                  Dimension = "area"                   // m2
)

// Dimensions lists every dimension but None, in a fixed order.
func Dimensions() []Dimension {
	return []Dimension{
		Length, Time, Temperature, TemperatureDifference, Speed, Acceleration,
		Density, Conductivity, HeatCapacity, Conductance, ThermalResistance, Effusivity, BasisWeight,
		LinearMass, Mass, Pressure, Force, LineLoad, Frequency, Rotation, Area,
	}
}

// phrase is the dimension in a sentence: "a length".
func (d Dimension) phrase() string {
	s := strings.ReplaceAll(string(d), "_", " ")
	switch d {
	case None:
		return "a pure number"
	case Acceleration, Effusivity, Area:
		return "an " + s
	}
	return "a " + s
}

// example is a value of the dimension as a person may write it.
func (d Dimension) example() string {
	switch d {
	case Length:
		return "5 in or 127 mm"
	case Time:
		return "12 s"
	case Temperature:
		return "350 °F or 180 °C"
	case TemperatureDifference:
		return "5 K or 9 °F"
	case Speed:
		return "600 mm/s or 120 ft/min"
	case Acceleration:
		return "0.3 m/s2"
	case Density:
		return "800 kg/m3 or 50 lb/ft3"
	case Conductivity:
		return "0.12 W/mK"
	case HeatCapacity:
		return "1400 J/kgK"
	case Conductance:
		return "1000 W/m2K"
	case ThermalResistance:
		return "0.0002 m2K/W"
	case Effusivity:
		return "550 J/m2K√s"
	case BasisWeight:
		return "200 g/m2 or 42 lb/1000ft2"
	case LinearMass:
		return "1.2 kg/m"
	case Mass:
		return "2.5 kg or 5 lb"
	case Pressure:
		return "300 kPa or 45 psi"
	case Force:
		return "500 N or 110 lbf"
	case LineLoad:
		return "2 kN/m or 12 lbf/in"
	case Frequency:
		return "60 Hz"
	case Rotation:
		return "1750 rpm"
	case Area:
		return "2 m2 or 20 ft2"
	}
	return "12"
}

// unit is one unit: a value in it times factor, plus offset, is the value in
// the unit in which the dimension is held. Factors are products of exact
// decimals, so that a conversion is rounded once, at its end.
type unit struct {
	name    string
	factor  string // decimals joined by * and /
	offset  string // likewise; empty for none
	aliases []string
}

// Exact by definition: inch, pound and standard gravity (NIST SP 811, App. B).
const (
	inch  = "0.0254"
	foot  = "0.3048"
	pound = "0.45359237"
	lbf   = pound + "*9.80665"
	btu   = "1055.05585262" // International Table
	pi    = "3.14159265358979323846264338327950288419716939937510582"
)

// unitsOf lists the units of each dimension; the first is the one in which
// values are held.
var unitsOf = map[Dimension][]unit{
	None: {{name: "", factor: "1"}},
	Length: {
		{name: "m", factor: "1", aliases: []string{"metre", "metres", "meter", "meters"}},
		{name: "mm", factor: "0.001"},
		{name: "cm", factor: "0.01"},
		{name: "µm", factor: "0.000001", aliases: []string{"um", "micron", "microns"}},
		{name: "in", factor: inch, aliases: []string{"inch", "inches", "\"", "″"}},
		{name: "ft", factor: foot, aliases: []string{"foot", "feet", "'", "′"}},
		{name: "mil", factor: inch + "/1000", aliases: []string{"mils", "thou"}},
		{name: "yd", factor: foot + "*3"},
	},
	Time: {
		{name: "s", factor: "1", aliases: []string{"sec", "second", "seconds"}},
		{name: "ms", factor: "0.001"},
		{name: "min", factor: "60", aliases: []string{"minute", "minutes"}},
		{name: "h", factor: "3600", aliases: []string{"hour", "hours"}},
	},
	Temperature: {
		{name: "°C", factor: "1", aliases: []string{"degC", "C"}},
		{name: "°F", factor: "5/9", offset: "-160/9", aliases: []string{"degF", "F"}},
		{name: "K", factor: "1", offset: "-273.15"},
	},
	TemperatureDifference: {
		{name: "K", factor: "1"},
		{name: "°C", factor: "1", aliases: []string{"degC", "C"}},
		{name: "°F", factor: "5/9", aliases: []string{"degF", "F"}},
	},
	Speed: {
		{name: "m/s", factor: "1"},
		{name: "mm/s", factor: "0.001"},
		{name: "m/min", factor: "1/60"},
		{name: "ft/min", factor: foot + "/60", aliases: []string{"fpm"}},
		{name: "in/s", factor: inch},
		{name: "ft/s", factor: foot},
	},
	Acceleration: {
		{name: "m/s2", factor: "1", aliases: []string{"m/s^2"}},
		{name: "mm/s2", factor: "0.001", aliases: []string{"mm/s^2"}},
		{name: "ft/s2", factor: foot, aliases: []string{"ft/s^2"}},
		{name: "in/s2", factor: inch, aliases: []string{"in/s^2"}},
		{name: "gn", factor: "9.80665"},
	},
	Density: {
		{name: "kg/m3", factor: "1", aliases: []string{"kg/m^3"}},
		{name: "g/cm3", factor: "1000", aliases: []string{"g/cm^3"}},
		{name: "lb/ft3", factor: pound + "/" + foot + "/" + foot + "/" + foot, aliases: []string{"lb/ft^3"}},
		{name: "lb/in3", factor: pound + "/" + inch + "/" + inch + "/" + inch, aliases: []string{"lb/in^3"}},
	},
	Conductivity: {
		{name: "W/mK", factor: "1", aliases: []string{"W/(mK)", "W/m/K"}},
		{name: "Btu/hftF", factor: btu + "/3600/" + foot + "*9/5", aliases: []string{"Btu/(hftF)", "Btu/hft°F"}},
	},
	HeatCapacity: {
		{name: "J/kgK", factor: "1", aliases: []string{"J/(kgK)", "J/kg/K"}},
		{name: "kJ/kgK", factor: "1000", aliases: []string{"kJ/(kgK)", "kJ/kg/K"}},
		{name: "Btu/lbF", factor: btu + "/" + pound + "*9/5", aliases: []string{"Btu/(lbF)", "Btu/lb°F"}},
	},
	Conductance: {
		{name: "W/m2K", factor: "1", aliases: []string{"W/(m2K)", "W/m2/K", "W/m^2K"}},
		{name: "kW/m2K", factor: "1000", aliases: []string{"kW/(m2K)"}},
		{name: "Btu/hft2F", factor: btu + "/3600/" + foot + "/" + foot + "*9/5", aliases: []string{"Btu/(hft2F)", "Btu/hft2°F"}},
	},
	ThermalResistance: {
		{name: "m2K/W", factor: "1", aliases: []string{"m^2K/W"}},
	},
	Effusivity: {
		{name: "J/m2K√s", factor: "1", aliases: []string{"J/(m2K√s)", "W√s/m2K", "W√s/(m2K)", "Ws^0.5/m2K"}},
	},
	BasisWeight: append([]unit{
		{name: "kg/m2", factor: "1", aliases: []string{"kg/m^2"}},
		{name: "g/m2", factor: "0.001", aliases: []string{"gsm", "g/m^2"}},
		{name: "lb/1000ft2", factor: pound + "/1000/" + foot + "/" + foot, aliases: []string{"lb/1000ft^2", "lb/msf", "lb/MSF"}},
		{name: "lb/3000ft2", factor: pound + "/3000/" + foot + "/" + foot, aliases: []string{"lb/3000ft^2"}},
	}, reams()...),
	LinearMass: {
		{name: "kg/m", factor: "1"},
		{name: "g/m", factor: "0.001"},
		{name: "lb/ft", factor: pound + "/" + foot},
		{name: "lb/in", factor: pound + "/" + inch},
	},
	Mass: {
		{name: "kg", factor: "1"},
		{name: "g", factor: "0.001"},
		{name: "t", factor: "1000"},
		{name: "lb", factor: pound, aliases: []string{"lbs", "lbm"}},
		{name: "oz", factor: pound + "/16"},
	},
	Pressure: {
		{name: "Pa", factor: "1"},
		{name: "kPa", factor: "1000"},
		{name: "MPa", factor: "1000000"},
		{name: "bar", factor: "100000"},
		{name: "mbar", factor: "100"},
		{name: "psi", factor: lbf + "/" + inch + "/" + inch},
	},
	Force: {
		{name: "N", factor: "1"},
		{name: "kN", factor: "1000"},
		{name: "lbf", factor: lbf},
	},
	LineLoad: {
		{name: "N/m", factor: "1"},
		{name: "kN/m", factor: "1000"},
		{name: "lbf/in", factor: lbf + "/" + inch, aliases: []string{"pli"}},
		{name: "lbf/ft", factor: lbf + "/" + foot},
	},
	Frequency: {
		{name: "Hz", factor: "1"},
		{name: "kHz", factor: "1000"},
	},
	Rotation: {
		{name: "r/s", factor: "1", aliases: []string{"rps", "rev/s"}},
		{name: "rpm", factor: "1/60", aliases: []string{"r/min", "rev/min"}},
		{name: "rad/s", factor: "1/2/" + pi},
	},
	Area: {
		{name: "m2", factor: "1", aliases: []string{"m^2", "m²"}},
		{name: "ft2", factor: foot + "*" + foot, aliases: []string{"ft^2", "ft²"}},
	},
}

// reams are the basis weights by ream of 500 sheets, named by the sheet in
// inches (sizes as in TAPPI T 410).
func reams() []unit {
	sizes := [...][2]string{{"24", "36"}, {"17", "22"}, {"25", "38"}, {"20", "26"}}
	out := make([]unit, 0, len(sizes))
	for _, s := range sizes {
		out = append(out, unit{
			name:    "lb/" + s[0] + "x" + s[1],
			factor:  pound + "/500/" + s[0] + "/" + s[1] + "/" + inch + "/" + inch,
			aliases: []string{"lb/" + s[0] + "x" + s[1] + "in", "lb/" + s[0] + "x" + s[1] + "x500"},
		})
	}
	return out
}

// suffixes are the ends of names in JSON.
var suffixes = map[Dimension]string{
	Length: "_m", Time: "_s", Temperature: "_c", TemperatureDifference: "_k", Speed: "_m_s", Acceleration: "_m_s2",
	Density: "_kg_m3", BasisWeight: "_kg_m2", LinearMass: "_kg_m", Mass: "_kg", Pressure: "_pa", Force: "_n",
	LineLoad: "_n_m", Frequency: "_hz", Rotation: "_r_s", Area: "_m2",
}

// Suffix is the end of a name in JSON whose value is of a dimension, as _m of
// feed_length_m. It is empty for None, and for a dimension that no output has.
func Suffix(d Dimension) string { return suffixes[d] }

// SI is the unit in which values of a dimension are held, empty for None.
func SI(d Dimension) string { return unitsOf[d][0].name }

// Units lists the names of the units of a dimension, the one in which values
// are held first. It is empty for an unknown dimension and holds the empty
// name for None.
func Units(d Dimension) []string {
	us := unitsOf[d]
	out := make([]string, len(us))
	for i, u := range us {
		out[i] = u.name
	}
	return out
}

// Spellings lists the names of the units of a dimension, each followed by its
// other spellings.
func Spellings(d Dimension) []string {
	var out []string
	for _, u := range unitsOf[d] {
		out = append(append(out, u.name), u.aliases...)
	}
	return out
}

// Held converts v of the named unit to the unit in which values of its
// dimension are held. A temperature is a point of its scale and not a
// difference, except in kelvins. ok is false for a name that is no unit.
func Held(v float64, unitName string) (held float64, d Dimension, ok bool) {
	for _, d := range Dimensions() {
		if u, found := find(d, unitName); found && unitName != "" && (d != Temperature || u.name != "K") {
			x := new(big.Rat)
			if x.SetFloat64(v) == nil {
				return v, d, true // not a number, or infinite
			}
			held, _ = u.held(x).Float64()
			return held, d, true
		}
	}
	return v, None, false
}

// find returns the unit of the dimension with the given name or alias.
func find(d Dimension, name string) (unit, bool) {
	us := unitsOf[d]
	for _, u := range us {
		if u.name == name {
			return u, true
		}
	}
	name = plain(name)
	for _, u := range us {
		if plain(u.name) == name {
			return u, true
		}
		for _, a := range u.aliases {
			if plain(a) == name {
				return u, true
			}
		}
	}
	return unit{}, false
}

// spellings brings the ways of writing one unit together: raised figures,
// product signs and spaces, the two micro signs and the signs that look like a
// degree. It is never changed.
var spellings = strings.NewReplacer(
	"²", "2", "³", "3", "·", "", "⋅", "", "*", "", " ", "",
	"×", "x", "μ", "µ", "º", "°", "℃", "°C", "℉", "°F",
)

func plain(name string) string { return spellings.Replace(name) }

// ratio is the exact value of a product such as "0.45359237*9.80665/0.0254".
func ratio(s string) *big.Rat {
	v := big.NewRat(1, 1)
	for s != "" {
		div := false
		switch s[0] {
		case '*':
			s = s[1:]
		case '/':
			s, div = s[1:], true
		}
		end := strings.IndexAny(s, "*/")
		if end < 0 {
			end = len(s)
		}
		f, ok := new(big.Rat).SetString(s[:end])
		if !ok {
			panic("quantity: bad factor " + s)
		}
		if div {
			f.Inv(f)
		}
		v.Mul(v, f)
		s = s[end:]
	}
	return v
}

// held converts an exact value in the unit to the held value, exactly.
func (u unit) held(x *big.Rat) *big.Rat {
	v := new(big.Rat).Mul(x, ratio(u.factor))
	if u.offset != "" {
		v.Add(v, ratio(u.offset))
	}
	return v
}

// in converts a held value to the unit, exactly.
func (u unit) in(v *big.Rat) *big.Rat {
	x := new(big.Rat).Set(v)
	if u.offset != "" {
		x.Sub(x, ratio(u.offset))
	}
	return x.Quo(x, ratio(u.factor))
}
