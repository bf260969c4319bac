package check

import (
	"math"
	"strconv"

	"lapgate/recipe"
	"lapgate/recipe/cradle"
	"lapgate/recipe/drive"
)

// lie looks at how the roll lies on the turning rolls: one that may tip is
// held until a person has steadied it, one that is too narrow for any steadying
// stays held.
func (r *run) lie() {
	e := &r.line.Equipment
	if r.rec.Has(recipe.RollInvalid) || !e.Wrap.Powered() && !e.Crimp.Powered() && !e.Drives.Powered() {
		return
	}
	c, limits := r.line.Cradle.Geometry(), r.line.Stance()
	x := r.roll.Extent()
	width, d := x.Narrowest, r.wrapped()
	tilt, err := c.Tilt(d, width, limits)
	if err != nil {
		return // the cradle refuses it, which holds it already
	}
	r.contact(&c)
	if never := r.line.Cradle.NeverRatio; tilt.Ratio < never {
		r.add(TooNarrow, "width_m", r.write(pure, round(tilt.Ratio)), r.write(pure, never), "cradle.never_ratio",
			"the roll is "+r.write(metres, width)+" wide at a diameter of "+r.write(metres, d)+" and tips when it leans by "+r.leans(&tilt)+
				"; no steadying makes it safe to turn. Keep clear of it and take it away")
	} else if tilt.Flags&(cradle.Narrow|cradle.Tippy) != 0 {
		r.narrow(width, d, &tilt)
	}
	if tilt.Flags&cradle.ShortForCrimp != 0 && e.Crimp.Present() {
		r.add(RollShort, "width_m", r.write(metres, width), r.write(metres, limits.CrimperSpacing), "crimp.spacing",
			"the roll is shorter than the least distance of the crimpers, "+r.write(metres, limits.CrimperSpacing)+"; crimp one end after the other")
	}
}

// narrow holds a roll that may tip until a person has confirmed that it is
// steadied.
func (r *run) narrow(width, d float64, tilt *cradle.Tilt) {
	degrees := r.leans(tilt)
	got, limit, key := r.write(pure, round(tilt.Ratio)), r.write(pure, r.line.Cradle.MinRatio), "cradle.least_ratio"
	if tilt.Flags&cradle.Narrow == 0 {
		got, limit, key = degrees, r.write(pure, r.line.Cradle.MinTip)+" degrees", "cradle.least_tip_angle"
	}
	if by, ok := r.confirmedBy(NarrowRoll); ok {
		r.add(NarrowConfirmed, "width_m", got, limit, key,
			by+" confirmed that the roll, which tips when it leans by "+degrees+", is chocked or steadied; keep clear of it")
		return
	}
	r.add(NarrowRoll, "width_m", got, limit, key,
		"the roll is "+r.write(metres, width)+" wide at a diameter of "+r.write(metres, d)+" and tips when it leans by "+degrees+
			"; keep clear of it, have it chocked or steadied, then confirm that with lapgate confirm")
}

// leans is the angle by which a roll may lean before it tips.
func (r *run) leans(t *cradle.Tilt) string {
	return r.write(pure, round(t.Angle*180/math.Pi)) + " degrees"
}

// contact checks how steeply the roll rests on the turning rolls: the smaller
// it is, the deeper it sinks between them, and the more weight each contact
// carries.
func (r *run) contact(c *cradle.Cradle) {
	_, angle, err := c.Height(r.line.SmallestSure(r.roll))
	degrees, most := angle*180/math.Pi, r.line.Cradle.MaxAngle
	if err == nil && degrees <= most*(1+rounding) {
		return
	}
	got := r.write(pure, round(degrees)) + " degrees"
	if err != nil {
		got = "falls through"
	}
	r.add(ContactAngle, "diameter_m", got, r.write(pure, most)+" degrees", "cradle.contact_angle",
		"at its smallest diameter the roll rests on the turning rolls at "+got+" from the vertical, allowed are "+r.write(pure, most)+
			" degrees: each contact carries "+r.write(pure, round(0.5/math.Cos(angle)))+" times the weight. Set the turning rolls closer, or wrap by hand elsewhere")
}

// wrapped is the diameter of the wrapped roll, m; of the bare one where the
// wrapper is not known.
func (r *run) wrapped() float64 {
	thick := 0.0
	if r.spec != nil {
		_, most := r.calipers()
		thick = 2 * r.spec.Layers * most
	}
	return r.roll.Diameter + thick
}

// round keeps three decimals of a number that people read.
func round(v float64) float64 { return math.Round(v*1000) / 1000 }

// The frequencies of the drives.
var (
	turningHz      = recipe.SetpointOf("turning_hz")
	feedHz         = recipe.SetpointOf("feed_hz")
	crimpTurningHz = recipe.SetpointOf("crimp_turning_hz")
	crimperHz      = recipe.SetpointOf("crimper_hz")
)

// drives checks every frequency against its drive, and the surface speeds
// that they make against one another.
func (r *run) drives() {
	sp := &r.rec.Setpoints
	if !sp.Groups.Has(recipe.GroupDrives) {
		return
	}
	e, d := &r.line.Equipment, &r.line.Drives
	if e.Wrap.Present() {
		r.frequency(turningHz, &d.Turning, "drives.turning")
		r.frequency(feedHz, &d.Feed, "drives.feed")
		r.speeds(sp)
	}
	if e.Crimp.Present() {
		r.frequency(crimpTurningHz, &d.Turning, "drives.turning")
		if r.line.Crimp.Blades > 0 {
			r.frequency(crimperHz, &d.Crimper, "drives.crimper")
		}
	}
}

func (r *run) frequency(p *recipe.Setpoint, d *recipe.Drive, key string) {
	m := d.Motor()
	got := p.Get(&r.rec.Setpoints)
	// A speed that was taken back to a limit may come out a rounding beyond it.
	hz := got
	for _, end := range [...]float64{m.MinHz, m.MaxHz} {
		if math.Abs(hz-end) <= rounding*end {
			hz = end
		}
	}
	flags := m.Flags(hz)
	if flags.Outside() || !(got >= 0) {
		r.add(DriveRange, p.Name, r.write(hertz, got), r.span(hertz, d.Limits), p.Limit.Key,
			"the frequency of the "+p.Label+" is "+r.write(hertz, got)+", the drive may run "+r.span(hertz, d.Limits)+"; change the speed of the station or correct the drive's settings")
		return
	}
	if flags&drive.BelowCooling != 0 {
		r.add(DriveCooling, p.Name, r.write(hertz, got), r.write(hertz, m.CoolingHz), key+".cooling_limit",
			"the frequency of the "+p.Label+" is "+r.write(hertz, got)+", below the "+r.write(hertz, m.CoolingHz)+" under which a motor cooled by its own fan runs hot; do not run long, or run faster")
	}
	if flags&drive.AboveBase != 0 {
		r.add(DriveAboveBase, p.Name, r.write(hertz, got), r.write(hertz, m.BaseHz), key+".base_frequency",
			"the frequency of the "+p.Label+" is "+r.write(hertz, got)+", above the base frequency of "+r.write(hertz, m.BaseHz)+", where torque falls; make sure that the drive carries the load")
	}
}

// speeds holds the turning frequency to the wrap speed, and the feed frequency
// to the turning frequency with the stated draw.
func (r *run) speeds(sp *recipe.Setpoints) {
	turningDrive, feedDrive := r.line.Drives.Turning.Motor(), r.line.Drives.Feed.Motor()
	turning, err := turningDrive.Surface(sp.TurningHz)
	if err != nil {
		turning = math.NaN()
	}
	feed, err := feedDrive.Surface(sp.FeedHz)
	if err != nil {
		feed = math.NaN()
	}
	if sp.Groups.Has(recipe.GroupWrap) && !(math.Abs(turning-sp.WrapSpeed) <= coarse*sp.WrapSpeed) {
		r.add(TurningSpeed, "turning_hz", r.write(speed, turning), r.write(speed, sp.WrapSpeed), "wrap.speed",
			"at "+r.write(hertz, sp.TurningHz)+" the turning rolls run at "+r.write(speed, turning)+", the wrap speed is "+r.write(speed, sp.WrapSpeed)+"; compute the recipe again")
	}
	want, most := r.line.Wrap.Draw, r.line.Limits.DrawError
	if draw := drive.Draw(feed, turning); !(math.Abs(draw-want) <= most+rounding) {
		got := r.write(speed, feed) + " on " + r.write(speed, turning)
		limit := "a draw of " + r.write(pure, want) + " ± " + r.write(pure, most)
		r.add(FeedTurning, "feed_hz", got, limit, "limits.draw_error",
			"the feed rolls run at "+r.write(speed, feed)+", the turning rolls at "+r.write(speed, turning)+"; wanted is "+limit+", or the wrapper sags or tears. Correct the drives or wrap.draw")
	}
}

var (
	crimperPosition = limitOf(CrimperPosition, "crimper_position_m", "check standoff of crimp")
	crimperPressure = limitOf(CrimperPressure, "crimper_pressure_pa", "check pressure of crimp")
)

// crimpers checks where the crimpers stand, how hard they press and what they
// fold.
func (r *run) crimpers(sp *recipe.Setpoints) {
	r.keeps(&crimperPosition)
	if r.line.Crimp.Pressure != 0 || sp.CrimperPressure != 0 {
		r.keeps(&crimperPressure)
	}
	if r.spec == nil || r.rec.Has(recipe.RollInvalid) {
		return
	}
	r.height(sp)
	overhang := sp.Overhang
	if !sp.Groups.Has(recipe.GroupStand) {
		overhang = r.spec.Overhang.Optimum
	}
	pleats, ok := r.line.Pleats(r.spec, r.roll.Diameter, overhang)
	if most := r.line.Limits.FoldLayers; ok && !(pleats.Most <= most) {
		n := strconv.FormatFloat(pleats.Most, 'f', -1, 64)
		r.add(FoldThick, "overhang_m", n+" thicknesses", r.write(pure, most), "limits.fold_layers",
			"at the edge of the fold "+n+" thicknesses of wrapper lie on one another, above "+r.write(pure, most)+"; fewer layers or a narrower wrapper fold flatter, look at the ends of this roll")
	}
}

// height checks the height of the roll centre by the wrapper that is taken, or
// by all that are allowed where nothing tells which one is.
func (r *run) height(sp *recipe.Setpoints) {
	c := r.line.Cradle.Geometry()
	least, most := r.calipers()
	d, layers := r.roll.Diameter, r.spec.Layers
	low, _, err := c.Height(d + 2*layers*least)
	if err != nil {
		return
	}
	high, _, err := c.Height(d + 2*layers*most)
	slack := coarse * d
	if err != nil || sp.RollCentreHeight >= low-slack && sp.RollCentreHeight <= high+slack {
		return
	}
	r.add(CentreHeight, "roll_centre_height_m", r.write(metres, sp.RollCentreHeight), r.write(metres, high), "cradle.spacing",
		"the roll centre is said to be "+r.write(metres, sp.RollCentreHeight)+" above the turning rolls, the cradle makes it "+r.write(metres, high)+"; compute the recipe again")
}

// slotTaken is the slot that the roll is wrapped from: the recipe's, or the one
// that the operator confirmed; 0 where neither tells.
func (r *run) slotTaken() int {
	if n := r.rec.Setpoints.Slot; n != 0 {
		return n
	}
	return r.stand.Confirmed
}

// calipers is the caliper of the wrapper that is taken, twice, or the least and
// the greatest of those that the specification allows.
func (r *run) calipers() (least, most float64) {
	if p := r.line.PaperOf(r.slotTaken()); p != nil {
		return p.Caliper, p.Caliper
	}
	least = math.Inf(1)
	for _, name := range r.spec.Papers {
		if p := r.line.Materials.Paper(name); p != nil {
			least, most = math.Min(least, p.Caliper), math.Max(most, p.Caliper)
		}
	}
	return math.Min(least, most), most
}
