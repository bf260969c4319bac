package check

import (
	"math"
	"math/bits"
	"strconv"

	"lapgate/recipe"
	"lapgate/recipe/caution"
)

// identity checks which roll this is.
func (r *run) identity() {
	if r.ctx.HoldAll {
		r.add(OperatorHold, "hold_all", "on", "off", "",
			"an operator holds every roll; release the hold at the gateway when the reason is gone")
	}
	if open := r.line.Open; len(open) > 0 {
		o := &open[0]
		text := o.Key + " is open, and " + o.StandsIn + " stands in"
		if more := len(open) - 1; more > 0 {
			text += "; open besides: " + integer(int64(more))
		}
		r.dst = append(r.dst, recipe.Finding{
			Code: ValueOpen, Severity: info(ValueOpen).Severity, Field: "open", Got: integer(int64(len(open))) + " open", Limit: "none", Where: o.Where,
			Text: text + ". No setpoint that rests on it is a promise: " + o.How + ", and write the value",
		})
	}
	number := r.roll.Number
	if r.ctx.Duplicate {
		r.add(RollDuplicate, "roll_no", integer(int64(number)), "a number without an outcome", "",
			"roll number "+integer(int64(number))+" already has an outcome; remove the roll, or wrap it by hand and check the roll counter of the controller")
	} else if number != 0 && number < r.ctx.LastRoll {
		r.add(RollOutOfOrder, "roll_no", integer(int64(number)), "at least "+integer(int64(r.ctx.LastRoll)), "",
			"roll number "+integer(int64(number))+" is below "+integer(int64(r.ctx.LastRoll))+" seen before; check the roll counter of the controller")
	}
	if r.roll.Tag == "" {
		r.add(RollTagMissing, "roll", "none", "a tag", "",
			"the controller gave no tag for the roll; its record is kept under the roll number alone, check the tracking")
	}
}

var (
	diameterLimit = limit{DiameterRange, "diameter_m", "the diameter", metres, "limits.diameter", "measure the roll again or wrap it by hand", nil}
	widthLimit    = limit{WidthRange, "width_m", "the width", metres, "limits.width", "measure the roll again or wrap it by hand", nil}
)

// scan checks the measurement. Comparisons are written so that NaN fails.
func (r *run) scan() {
	l := &r.line.Limits
	if age := r.roll.Age; !(age >= 0 && age <= l.MaxScanAge) {
		r.add(ScanStale, "age_s", r.write(seconds, age), r.write(seconds, l.MaxScanAge), "limits.scan_age",
			"the scan is "+r.write(seconds, age)+" old, allowed is "+r.write(seconds, l.MaxScanAge)+"; measure the roll again")
	}
	if q := r.roll.Quality; !(q >= l.MinQuality) {
		r.add(ScanQuality, "quality", r.write(pure, q), "at least "+r.write(pure, l.MinQuality), "limits.scan_quality",
			"the scan quality is "+r.write(pure, q)+", wanted is at least "+r.write(pure, l.MinQuality)+"; clean the scanner and measure the roll again")
	}
	if o := r.roll.Ovality; !(o <= l.MaxOvality) {
		r.add(ScanOvality, "ovality", r.write(pure, o), r.write(pure, l.MaxOvality), "limits.ovality",
			"the roll is out of round by "+r.write(pure, o)+" of its diameter, allowed is "+r.write(pure, l.MaxOvality)+"; look for a flat spot, measure again or wrap by hand")
	}
	if s := r.roll.WidthSpread; !(s <= l.MaxSpread) {
		r.add(ScanWidthSpread, "width_spread_m", r.write(metres, s), r.write(metres, l.MaxSpread), "limits.width_spread",
			"the width samples differ by "+r.write(metres, s)+", allowed is "+r.write(metres, l.MaxSpread)+"; look for a telescoped end, measure again or wrap by hand")
	}
	if s := r.roll.WidthSpread; !(s <= l.Telescope) {
		r.add(ScanTelescoped, "width_spread_m", "an end "+r.write(metres, s)+" high", r.write(metres, l.Telescope), "limits.telescoping",
			"an end of the roll may stand out by "+r.write(metres, s)+", allowed is "+r.write(metres, l.Telescope)+"; a head does not lie flat on it. Push the layers back, measure again or wrap by hand")
	}
	r.readings()
	if r.rec.Has(recipe.RollInvalid) {
		return
	}
	r.within(&diameterLimit, r.roll.Diameter, r.roll.DiameterU, l.Diameter)
	r.within(&widthLimit, r.roll.Width, r.roll.WidthU, l.Width)
	if r.roll.Core == 0 && len(r.line.Materials.Cores) > 0 {
		r.add(CoreMissing, "core", "none", "a core code", "",
			"the controller gave no core code; the largest core of the configuration is assumed, enter the core at the controller")
	}
}

// order compares the scan with what the mill ordered.
func (r *run) order() {
	o := r.roll.Order
	if o == nil {
		r.orderMissing()
		return
	}
	width := r.roll.WidthMedian
	if width == 0 {
		width = r.roll.Width
	}
	l := &r.line.Limits
	r.matches(OrderWidth, "width", width, o.Width, l.OrderWidth)
	r.matches(OrderDiameter, "diameter", r.roll.Diameter, o.Diameter, l.OrderDia)
	if r.roll.Grade != 0 && o.Grade != 0 && r.roll.Grade != o.Grade {
		r.add(OrderGrade, "grade", integer(int64(r.roll.Grade)), integer(int64(o.Grade)), "",
			"the controller names grade "+integer(int64(r.roll.Grade))+", order "+strconv.Quote(o.ID)+" names "+integer(int64(o.Grade))+"; the controller's is used, check the order")
	}
}

func (r *run) matches(code recipe.Code, what string, scanned, ordered, most float64) {
	if ordered == 0 || math.Abs(scanned-ordered) <= most {
		return
	}
	want := r.write(metres, ordered) + " ± " + r.write(metres, most)
	r.add(code, what+"_m", r.write(metres, scanned), want, "limits.order_"+what,
		"the scanned "+what+" is "+r.write(metres, scanned)+", order "+strconv.Quote(r.roll.Order.ID)+" wants "+want+"; make sure that this is the roll of the order, then measure again")
}

// Modes and states of ISA-TR88.00.02.
const (
	modeProduce     = 1
	modeMaintenance = 2
	modeManual      = 3

	stateClearing = 1
	stateStopped  = 2
	stateStopping = 7
	stateAborting = 8
	stateAborted  = 9
)

// interlocks checks permissives, mode and state. A unit that is deliberately
// out of production is held, because a recipe would invite it to move. A
// state is only warned of: it may pass before the roll is wrapped, and the
// controller judges it again.
func (r *run) interlocks() {
	required := r.line.Limits.Permissives
	if missing := required &^ r.stand.Permissives; missing != 0 {
		bit := bits.TrailingZeros32(missing)
		text := "permissive bit " + strconv.Itoa(bit) + " is off"
		if n := bits.OnesCount32(missing); n > 1 {
			text += ", and " + strconv.Itoa(n-1) + " more"
		}
		r.add(PermissiveOff, "permissives", hex(r.stand.Permissives), hex(required), "limits.permissives",
			text+"; clear its cause at the line, then press retry. "+caution.ReachIn.String())
	}
	switch r.stand.Mode {
	case modeProduce:
	case modeMaintenance, modeManual:
		name := "maintenance"
		if r.stand.Mode == modeManual {
			name = "manual"
		}
		r.add(UnitMode, "mode", name, "produce", "",
			"the unit is in "+name+" mode; return it to produce, then press retry")
	default:
		r.add(UnitModeUnknown, "mode", strconv.Itoa(r.stand.Mode), "1 to 3", "",
			"the controller gives unit mode "+strconv.Itoa(r.stand.Mode)+"; publish the ISA-TR88 mode, 1 for produce")
	}
	name := ""
	switch r.stand.State {
	case stateClearing:
		name = "clearing"
	case stateStopped:
		name = "stopped"
	case stateStopping:
		name = "stopping"
	case stateAborting:
		name = "aborting"
	case stateAborted:
		name = "aborted"
	}
	if name != "" {
		r.add(UnitState, "state", name, "a state of production", "",
			"the unit is "+name+"; the controller starts nothing until it is back in production")
	}
}

func hex(v uint32) string { return "0x" + strconv.FormatUint(uint64(v), 16) }
