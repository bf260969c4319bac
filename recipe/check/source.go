package check

import (
	"strconv"

	"lapgate/recipe/wording"
)

// readings tells what became of the scanner's readings. One that fits no roll
// says little of this one; one that fits two, or contradicts another, leaves
// it open which roll lies here.
func (r *run) readings() {
	s := &r.roll.Readings
	if s.TwoRolls != "" {
		r.add(ScannerTwoRolls, "readings", "two rolls", "one roll", "scanner.window", wording.Say("finding.scanner-two-rolls", "reading", s.TwoRolls))
	}
	if s.Differ != "" {
		r.add(ScannerDiffers, "readings", "two values", "one value", "scanner.window", wording.Say("finding.scanner-readings-differ", "reading", s.Differ))
	}
	if s.Missing {
		r.add(ScannerMissing, "readings", "none", "a reading", "scanner.wait",
			wording.Say("finding.scanner-missing"))
	}
	if s.NoRoll != "" {
		r.add(ScannerNoRoll, "readings", "no roll", "one roll", "scanner.window", wording.Say("finding.scanner-no-roll", "reading", s.NoRoll))
	}
}

// orderMissing tells that the mill ordered nothing under the roll's tag.
func (r *run) orderMissing() {
	if r.roll.OrderMissing {
		r.add(OrderMissing, "order", "none", "an order for "+strconv.Quote(r.roll.Tag), "orders.directory",
			wording.Say("finding.order-missing", "roll", strconv.Quote(r.roll.Tag)))
	}
}
