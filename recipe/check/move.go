package check

import (
	"math"
	"strconv"

	"lapgate/recipe"
	"lapgate/recipe/cradle"
	"lapgate/recipe/drive"
)

// lie warns of rolls that lie badly: such a roll is still wrapped, but
// somebody should look.
func (r *run) lie() {
	e := &r.line.Equipment
	if r.rec.Has(recipe.RollInvalid) || !e.Wrap.Powered() && !e.Crimp.Powered() && !e.Drives.Powered() {
		return
	}
	c, limits := r.line.Cradle.Geometry(), r.line.Stance()
	width, d := r.roll.Width, r.roll.Diameter
	tilt, err := c.Tilt(d, width, limits)
	if err != nil {
		return // the cradle refuses it, which holds it already
	}
	if tilt.Flags&cradle.Narrow != 0 {
		r.add(RollNarrow, "width_m", r.write(pure, round(tilt.Ratio)), r.write(pure, limits.MinRatio), "cradle.least_ratio",
			"the roll is "+r.write(metres, width)+" wide at a diameter of "+r.write(metres, d)+", width over diameter is below "+r.write(pure, limits.MinRatio)+
				"; it may tip, watch it and keep clear of it")
	}
	if tilt.Flags&cradle.Tippy != 0 {
		degrees := round(tilt.Angle * 180 / math.Pi)
		r.add(RollTippy, "width_m", r.write(pure, degrees)+" degrees", r.write(pure, r.line.Cradle.MinTip)+" degrees", "cradle.least_tip_angle",
			"the roll tips when it leans by "+r.write(pure, degrees)+" degrees, below "+r.write(pure, r.line.Cradle.MinTip)+"; watch it and keep clear of it")
	}
	if tilt.Flags&cradle.ShortForCrimp != 0 && e.Crimp.Present() {
		r.add(RollShort, "width_m", r.write(metres, width), r.write(metres, limits.CrimperSpacing), "crimp.spacing",
			"the roll is shorter than the least distance of the crimpers, "+r.write(metres, limits.CrimperSpacing)+"; crimp one end after the other")
	}
}

// round keeps three decimals of a number that people read.
func round(v float64) float64 { return math.Round(v*1000) / 1000 }

// driven is one frequency with its drive.
type driven struct {
	field string
	what  string
	key   string
	hz    float64
	drive *recipe.Drive
}

// drives checks every frequency against its drive, and the surface speeds
// that they make against one another.
func (r *run) drives() {
	sp := &r.rec.Setpoints
	if !sp.Groups.Has(recipe.GroupDrives) {
		return
	}
	e, d := &r.line.Equipment, &r.line.Drives
	if e.Wrap.Present() {
		r.frequency(&driven{"turning_hz", "the frequency of the turning rolls while wrapping", "turning", sp.TurningHz, &d.Turning})
		r.frequency(&driven{"feed_hz", "the frequency of the feed rolls", "feed", sp.FeedHz, &d.Feed})
		r.speeds(sp)
	}
	if e.Crimp.Present() {
		r.frequency(&driven{"crimp_turning_hz", "the frequency of the turning rolls while crimping", "turning", sp.CrimpTurningHz, &d.Turning})
		if r.line.Crimp.Blades > 0 {
			r.frequency(&driven{"crimper_hz", "the frequency of the crimpers", "crimper", sp.CrimperHz, &d.Crimper})
		}
	}
}

func (r *run) frequency(f *driven) {
	m := f.drive.Motor()
	key := "drives." + f.key
	// A speed that was taken back to a limit may come out a rounding beyond it.
	hz := f.hz
	for _, end := range [...]float64{m.MinHz, m.MaxHz} {
		if math.Abs(hz-end) <= rounding*end {
			hz = end
		}
	}
	flags := m.Flags(hz)
	if flags.Outside() || !(f.hz >= 0) {
		r.add(DriveRange, f.field, r.write(hertz, f.hz), r.span(hertz, f.drive.Limits), key+".frequency",
			f.what+" is "+r.write(hertz, f.hz)+", the drive may run "+r.span(hertz, f.drive.Limits)+"; change the speed of the station or correct the drive's settings")
		return
	}
	if flags&drive.BelowCooling != 0 {
		r.add(DriveCooling, f.field, r.write(hertz, f.hz), r.write(hertz, m.CoolingHz), key+".cooling_limit",
			f.what+" is "+r.write(hertz, f.hz)+", below the "+r.write(hertz, m.CoolingHz)+" under which a motor cooled by its own fan runs hot; do not run long, or run faster")
	}
	if flags&drive.AboveBase != 0 {
		r.add(DriveAboveBase, f.field, r.write(hertz, f.hz), r.write(hertz, m.BaseHz), key+".base_frequency",
			f.what+" is "+r.write(hertz, f.hz)+", above the base frequency of "+r.write(hertz, m.BaseHz)+", where torque falls; make sure that the drive carries the load")
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
	crimperPosition = limit{CrimperPosition, "crimper_position_m", "the position of the crimpers", metres, "crimper_position", "check standoff of crimp"}
	crimperPressure = limit{CrimperPressure, "crimper_pressure_pa", "the pressure of the crimpers", pascals, "crimper_pressure", "check pressure of crimp"}
)

// crimpers checks where the crimpers stand, how hard they press and what they
// fold.
func (r *run) crimpers(sp *recipe.Setpoints) {
	r.within(&crimperPosition, sp.CrimperPosition, 0, r.line.Limits.CrimperPos)
	if r.line.Crimp.Pressure != 0 || sp.CrimperPressure != 0 {
		r.within(&crimperPressure, sp.CrimperPressure, 0, r.line.Limits.CrimperPres)
	}
	if r.spec == nil || r.rec.Has(recipe.RollInvalid) {
		return
	}
	// The few layers of wrapper, in the height as in the fold, are within the
	// coarse difference.
	c := r.line.Cradle.Geometry()
	if h, _, err := c.Height(r.roll.Diameter + 2*r.spec.Layers*r.thickest()); err == nil && !(math.Abs(h-sp.RollCentreHeight) <= coarse*r.roll.Diameter) {
		r.add(CentreHeight, "roll_centre_height_m", r.write(metres, sp.RollCentreHeight), r.write(metres, h), "cradle.spacing",
			"the roll centre is said to be "+r.write(metres, sp.RollCentreHeight)+" above the turning rolls, the cradle makes it "+r.write(metres, h)+"; compute the recipe again")
	}
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

// thickest is the greatest caliper of the wrappers that the specification
// allows.
func (r *run) thickest() float64 {
	most := 0.0
	for _, name := range r.spec.Papers {
		if p := r.line.Materials.Paper(name); p != nil {
			most = math.Max(most, p.Caliper)
		}
	}
	return most
}
