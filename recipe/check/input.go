package check

import (
	"math"
	"math/bits"
	"strconv"

	"lapgate/recipe"
	"lapgate/recipe/caution"
	"lapgate/recipe/wording"
)

// identity checks which roll this is.
func (r *run) identity() {
	if r.ctx.HoldAll {
		r.add(OperatorHold, "hold_all", "on", "off", "",
			wording.Say("finding.operator-hold"))
	}
	if open := r.line.Open; len(open) > 0 {
		o := &open[0]
		said := wording.Say("finding.value-open", "setting", o.Key, "value", o.StandsIn, "how", o.How)
		if more := len(open) - 1; more > 0 {
			said = wording.Say("finding.value-open.more", "setting", o.Key, "value", o.StandsIn, "how", o.How, "count", more)
		}
		r.dst = append(r.dst, recipe.Finding{
			Code: ValueOpen, Severity: info(ValueOpen).Severity, Field: "open", Got: integer(int64(len(open))) + " open", Limit: "none", Where: o.Where,
		}.Saying(said))
	}
	number := r.roll.Number
	if r.ctx.Duplicate {
		r.add(RollDuplicate, "roll_no", integer(int64(number)), "a number without an outcome", "",
			wording.Say("finding.roll-duplicate", "roll", number))
	} else if number != 0 && number < r.ctx.LastRoll {
		r.add(RollOutOfOrder, "roll_no", integer(int64(number)), "at least "+integer(int64(r.ctx.LastRoll)), "",
			wording.Say("finding.roll-out-of-order", "roll", number, "seen", r.ctx.LastRoll))
	}
	if r.roll.Tag == "" {
		r.add(RollTagMissing, "roll", "none", "a tag", "",
			wording.Say("finding.roll-tag-missing"))
	}
}

var (
	diameterLimit = limit{DiameterRange, "diameter_m", metres, "limits.diameter", nil}
	widthLimit    = limit{WidthRange, "width_m", metres, "limits.width", nil}
)

// scan checks the measurement. Comparisons are written so that NaN fails.
func (r *run) scan() {
	l := &r.line.Limits
	if age := r.roll.Age; !(age >= 0 && age <= l.MaxScanAge) {
		r.add(ScanStale, "age_s", r.write(seconds, age), r.write(seconds, l.MaxScanAge), "limits.scan_age",
			wording.Say("finding.scan-stale", "age", r.write(seconds, age), "limit", r.write(seconds, l.MaxScanAge)))
	}
	if q := r.roll.Quality; !(q >= l.MinQuality) {
		r.add(ScanQuality, "quality", r.write(pure, q), "at least "+r.write(pure, l.MinQuality), "limits.scan_quality",
			wording.Say("finding.scan-quality", "quality", r.write(pure, q), "limit", r.write(pure, l.MinQuality)))
	}
	if o := r.roll.Ovality; !(o <= l.MaxOvality) {
		r.add(ScanOvality, "ovality", r.write(pure, o), r.write(pure, l.MaxOvality), "limits.ovality",
			wording.Say("finding.scan-ovality", "ovality", r.write(pure, o), "limit", r.write(pure, l.MaxOvality)))
	}
	if s := r.roll.WidthSpread; !(s <= l.MaxSpread) {
		r.add(ScanWidthSpread, "width_spread_m", r.write(metres, s), r.write(metres, l.MaxSpread), "limits.width_spread",
			wording.Say("finding.scan-width-spread", "spread", r.write(metres, s), "limit", r.write(metres, l.MaxSpread)))
	}
	if s := r.roll.WidthSpread; !(s <= l.Telescope) {
		r.add(ScanTelescoped, "width_spread_m", "an end "+r.write(metres, s)+" high", r.write(metres, l.Telescope), "limits.telescoping",
			wording.Say("finding.scan-telescoped", "spread", r.write(metres, s), "limit", r.write(metres, l.Telescope)))
	}
	r.readings()
	if r.rec.Has(recipe.RollInvalid) {
		return
	}
	r.within(&diameterLimit, r.roll.Diameter, r.roll.DiameterU, l.Diameter)
	r.within(&widthLimit, r.roll.Width, r.roll.WidthU, l.Width)
	if r.roll.Core == 0 && len(r.line.Materials.Cores) > 0 {
		r.add(CoreMissing, "core", "none", "a core code", "",
			wording.Say("finding.core-missing"))
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
			wording.Say("finding.order-grade", "grade", r.roll.Grade, "order", strconv.Quote(o.ID), "ordered", o.Grade))
	}
}

func (r *run) matches(code recipe.Code, what string, scanned, ordered, most float64) {
	if ordered == 0 || math.Abs(scanned-ordered) <= most {
		return
	}
	want := r.write(metres, ordered) + " ± " + r.write(metres, most)
	r.add(code, what+"_m", r.write(metres, scanned), want, "limits.order_"+what,
		wording.Say("finding."+string(code), "got", r.write(metres, scanned), "order", strconv.Quote(r.roll.Order.ID), "want", want))
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
		bit, said := bits.TrailingZeros32(missing), caution.ReachIn.Said()
		off := wording.Say("finding.permissive-off", "bit", bit, "caution", said)
		if n := bits.OnesCount32(missing); n > 1 {
			off = wording.Say("finding.permissive-off.more", "bit", bit, "count", n-1, "caution", said)
		}
		r.add(PermissiveOff, "permissives", hex(r.stand.Permissives), hex(required), "limits.permissives",
			off)
	}
	switch r.stand.Mode {
	case modeProduce:
	case modeMaintenance, modeManual:
		name := "maintenance"
		if r.stand.Mode == modeManual {
			name = "manual"
		}
		r.add(UnitMode, "mode", name, "produce", "",
			wording.Say("finding.unit-mode."+name))
	default:
		r.add(UnitModeUnknown, "mode", strconv.Itoa(r.stand.Mode), "1 to 3", "",
			wording.Say("finding.unit-mode-unknown", "mode", r.stand.Mode))
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
			wording.Say("finding.unit-state", "state", wording.Say("unit-state."+name)))
	}
}

func hex(v uint32) string { return "0x" + strconv.FormatUint(uint64(v), 16) }
