package check

import "strconv"

// readings tells what became of the scanner's readings. One that fits no roll
// says little of this one; one that fits two, or contradicts another, leaves
// it open which roll lies here.
func (r *run) readings() {
	s := &r.roll.Readings
	if s.TwoRolls != "" {
		r.add(ScannerTwoRolls, "readings", "two rolls", "one roll", "scanner.window", s.TwoRolls)
	}
	if s.Differ != "" {
		r.add(ScannerDiffers, "readings", "two values", "one value", "scanner.window", s.Differ)
	}
	if s.Missing {
		r.add(ScannerMissing, "readings", "none", "a reading", "scanner.wait",
			"no reading of the scanner came for the roll; the controller's measurement is used, check the scanner and the identity that it sends")
	}
	if s.NoRoll != "" {
		r.add(ScannerNoRoll, "readings", "no roll", "one roll", "scanner.window", s.NoRoll)
	}
}

// orderMissing tells that the mill ordered nothing under the roll's tag.
func (r *run) orderMissing() {
	if r.roll.OrderMissing {
		r.add(OrderMissing, "order", "none", "an order for "+strconv.Quote(r.roll.Tag), "orders.directory",
			"the mill's orders have none for roll "+strconv.Quote(r.roll.Tag)+"; grade and specification are the controller's alone, check the tag and the folder of orders")
	}
}
