package controller

import "lapgate/sim/registers"

// Limit is the machine's own limit on one setpoint, by the name of its field in
// the payload, in the steps of its register, inclusive. Where the field is bits,
// Max has those that exist. Min above Max is a limit that nobody has entered yet.
type Limit struct {
	Field    string
	Min, Max int64
}

// hottest is the step of 200.0 °C, above which no platen is heated, whatever
// limit is entered.
const hottest = 2000

// hot reports whether a setpoint is a temperature of the platens.
func hot(f *registers.Field) bool {
	return f.Name == "header_temperature" || f.Name == "closing_least" || f.Name == "closing_greatest"
}

// areBits reports whether the bits of a setpoint stand each for themselves.
func areBits(f *registers.Field) bool { return f.Name == "vacuum_zones" || f.Name == "groups" }

// DataSheet are the limits that the data sheet of the simulated machine gives, by
// register.
func DataSheet() []Limit {
	return []Limit{
		{"slot", 1, 6},
		{"wrapper_width", 2000, 40000},
		{"feed_length", 5000, 700000},
		{"feed_counts", 100, 10000000},
		{"layers", 100, 1200},
		{"overlap", 0, 10000},
		{"wrap_speed", 50, 2000},
		{"turning_frequency", 100, 9000},
		{"feed_frequency", 100, 9000},
		{"crimp_turns", 50, 800},
		{"crimp_time", 50, 15000},
		{"crimp_turning_frequency", 100, 9000},
		{"crimper_frequency", 0, 9000},
		{"crimper_pressure", 0, 16000},
		{"roll_centre", 0, 20000},
		{"crimper_position", 0, 20000},
		{"platen_stroke", 0, 40000},
		{"contact_pressure", 0, 5000},
		{"header_temperature", 400, 2000},
		{"header_dwell", 20, 9000},
		{"inner_head", 0, 2500},
		{"outer_head", 0, 2500},
		{"vacuum_zones", 0, 0x3F},
		{"glue", 0, 3000},
		{"closing_least", 400, 2000},
		{"gross_mass", 100, 200000},
		{"tare", 0, 20000},
		{"scale_tolerance", 1, 2000},
		{"centring_offset", -2000, 2000},
		{"groups", 0, 0xFF},
		{"closing_greatest", 400, 2000},
	}
}

// limitOf is the limit on a setpoint as the program goes by it: one that nobody
// entered allows nothing, and none allows platens above the ceiling.
func (c *Config) limitOf(f *registers.Field) Limit {
	for _, l := range c.Limits {
		if l.Field != f.Name {
			continue
		}
		if hot(f) && !c.breaks(RuleLimitCeiling) {
			l.Max = min(l.Max, hottest)
		}
		return l
	}
	return Limit{Field: f.Name, Min: 1, Max: 0}
}

// allows reports whether a number keeps the limit.
func (l *Limit) allows(f *registers.Field, n int64) bool {
	if areBits(f) {
		return l.Min <= l.Max && n&^l.Max == 0
	}
	return n >= l.Min && n <= l.Max
}

// limitBroken is the reason of the first setpoint, by register, that breaks its
// limit, 0 for none. A setpoint of a group that is not in force is not compared.
func (c *Config) limitBroken(p registers.View) uint16 {
	groups := p.Get("groups")
	for _, f := range registers.Setpoints() {
		if f.Group != registers.Always && groups>>f.Group&1 == 0 && !c.breaks(RuleLimitGroup) {
			continue
		}
		l := c.limitOf(&f)
		c.spoilLimit(&l, &f)
		if !l.allows(&f, p.Number(f.Name)) || !closingTold(&f, p) && !c.breaks(RuleLimitClosing) {
			if c.breaks(RuleLimitField) {
				return ReasonLimit
			}
			return uint16(ReasonLimit + f.Register - registers.FirstSetpoint)
		}
	}
	return 0
}

// closingTold reports whether a closing temperature goes with the setpoint of the
// platens: a heated press has both, the least not above the greatest, and one
// that is not heated has none.
func closingTold(f *registers.Field, p registers.View) bool {
	least, greatest := p.Get("closing_least"), p.Get("closing_greatest")
	heated := p.Get("header_temperature") > 0
	switch f.Name {
	case "closing_least":
		return heated == (least > 0) && (greatest == 0 || least <= greatest)
	case "closing_greatest":
		return heated == (greatest > 0)
	}
	return true
}

// limitsBlock is the block that tells the limits.
func (c *Config) limitsBlock() (w LimitsWords) {
	v := registers.In(registers.Limits, w[:])
	v.Begin()
	v.Put("gen", 1)
	for _, f := range registers.Setpoints() {
		l := c.limitOf(&f)
		c.spoilTold(&l, &f)
		v.Put(f.Least(), uint32(l.Min))
		v.Put(f.Greatest(), uint32(l.Max))
	}
	v.Seal()
	if c.breaks(RuleLimitsWhole) {
		w[len(w)-1]++
	}
	return w
}
