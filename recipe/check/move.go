package check

import (
	"math"
	"strconv"

	"lapgate/recipe"
	"lapgate/recipe/cradle"
	"lapgate/recipe/drive"
	"lapgate/recipe/wording"
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
			wording.Say("finding.roll-too-narrow", "width", r.write(metres, width), "diameter", r.write(metres, d), "angle", r.degrees(round(tilt.Angle*180/math.Pi))))
	} else if tilt.Flags&(cradle.Narrow|cradle.Tippy) != 0 {
		r.narrow(width, d, &tilt)
	}
	if tilt.Flags&cradle.ShortForCrimp != 0 && e.Crimp.Present() {
		r.add(RollShort, "width_m", r.write(metres, width), r.write(metres, limits.CrimperSpacing), "crimp.spacing",
			wording.Say("finding.roll-short", "limit", r.write(metres, limits.CrimperSpacing)))
	}
}

// narrow holds a roll that may tip until a person has confirmed that it is
// steadied.
func (r *run) narrow(width, d float64, tilt *cradle.Tilt) {
	leans := r.degrees(round(tilt.Angle * 180 / math.Pi))
	got, limit, key := r.write(pure, round(tilt.Ratio)), r.write(pure, r.line.Cradle.MinRatio), "cradle.least_ratio"
	if tilt.Flags&cradle.Narrow == 0 {
		got, limit, key = leans.String(), r.degrees(r.line.Cradle.MinTip).String(), "cradle.least_tip_angle"
	}
	if by, ok := r.confirmedBy(NarrowRoll); ok {
		r.add(NarrowConfirmed, "width_m", got, limit, key,
			wording.Say("finding.narrow-roll-confirmed", "by", by, "angle", leans))
		return
	}
	r.add(NarrowRoll, "width_m", got, limit, key,
		wording.Say("finding.narrow-roll", "width", r.write(metres, width), "diameter", r.write(metres, d), "angle", leans))
}

// degrees is an angle as people read it.
func (r *run) degrees(v float64) wording.Said {
	return wording.Say("angle", "degrees", r.write(pure, v))
}

// contact checks how steeply the roll rests on the turning rolls: the smaller
// it is, the deeper it sinks between them, and the more weight each contact
// carries.
func (r *run) contact(c *cradle.Cradle) {
	_, angle, err := c.Height(r.line.SmallestSure(r.roll))
	steep, most := angle*180/math.Pi, r.line.Cradle.MaxAngle
	if err == nil && steep <= most*(1+rounding) {
		return
	}
	got := r.degrees(round(steep))
	if err != nil {
		got = wording.Say("finding.contact-angle.through")
	}
	r.add(ContactAngle, "diameter_m", got.String(), r.write(pure, most)+" degrees", "cradle.contact_angle",
		wording.Say("finding.contact-angle", "got", got, "limit", r.write(pure, most), "times", r.write(pure, round(0.5/math.Cos(angle)))))
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
		r.add(DriveRange, p.Name, r.write(hertz, got), r.span(hertz, d.Limits).String(), p.Limit.Key,
			wording.Say("finding.drive-frequency-range", "setpoint", p.Said(), "got", r.write(hertz, got), "limit", r.span(hertz, d.Limits)))
		return
	}
	if flags&drive.BelowCooling != 0 {
		r.add(DriveCooling, p.Name, r.write(hertz, got), r.write(hertz, m.CoolingHz), key+".cooling_limit",
			wording.Say("finding.drive-cooling", "setpoint", p.Said(), "got", r.write(hertz, got), "limit", r.write(hertz, m.CoolingHz)))
	}
	if flags&drive.AboveBase != 0 {
		r.add(DriveAboveBase, p.Name, r.write(hertz, got), r.write(hertz, m.BaseHz), key+".base_frequency",
			wording.Say("finding.drive-above-base", "setpoint", p.Said(), "got", r.write(hertz, got), "limit", r.write(hertz, m.BaseHz)))
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
			wording.Say("finding.turning-speed", "frequency", r.write(hertz, sp.TurningHz), "turning", r.write(speed, turning), "wrap_speed", r.write(speed, sp.WrapSpeed)))
	}
	want, most := r.line.Wrap.Draw, r.line.Limits.DrawError
	if draw := drive.Draw(feed, turning); !(math.Abs(draw-want) <= most+rounding) {
		got := r.write(speed, feed) + " on " + r.write(speed, turning)
		limit := wording.Say("limit.draw", "want", r.write(pure, want), "tolerance", r.write(pure, most))
		r.add(FeedTurning, "feed_hz", got, limit.String(), "limits.draw_error",
			wording.Say("finding.feed-turning-speed", "feed", r.write(speed, feed), "turning", r.write(speed, turning), "limit", limit))
	}
}

var (
	crimperPosition = limitOf(CrimperPosition, "crimper_position_m")
	crimperPressure = limitOf(CrimperPressure, "crimper_pressure_pa")
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
			wording.Say("finding.fold-thick", "count", n, "limit", r.write(pure, most)))
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
		wording.Say("finding.roll-centre-height", "height", r.write(metres, sp.RollCentreHeight), "computed", r.write(metres, high)))
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
