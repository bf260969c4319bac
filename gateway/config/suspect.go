package config

import (
	"math"
	"slices"
	"strconv"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// checkSuspect warns of values that are legal and yet hardly meant: lengths
// that look like inches written as millimetres, and limits that can never bind.
func (d *decoder) checkSuspect(doc *document, l *line, path string) {
	d.checkInches(doc, l, path)
	d.checkIdle(doc, l, path)
	d.checkSlots(doc, l, path)
}

// inch is the length that is most often written with the wrong unit.
const inch = 0.0254

// checkInches warns of lengths that no line has, but that in inches would be
// ordinary. The least plausible values are judgement.
func (d *decoder) checkInches(doc *document, l *line, path string) {
	look := func(key string, v, least float64) {
		if _, given := d.at[key]; !given || !d.good(key) || v <= 0 || v >= least {
			return
		}
		inches := quantity.Round(v/0.001, quantity.None, "", 3) + " in" // the figures as written in mm
		if meant := v / 0.001 * inch; meant < least {
			return // would be none in inches either
		}
		d.warning(d.where(key), key, "suspiciously small", quantity.Round(v, quantity.Length, doc.Units.Length, 3),
			"at least "+quantity.Round(least, quantity.Length, doc.Units.Length, 3)+" as lines have it", "check the unit; write "+inches+" if inches were meant")
	}
	key := func(k string) string { return join(path, k) }
	look(key("limits.diameter"), l.Limits.Diameter.Max, 0.3)
	look(key("limits.width"), l.Limits.Width.Max, 0.3)
	look(key("cradle.roll_diameter"), l.Cradle.RollDiameter, 0.1)
	look(key("cradle.spacing"), l.Cradle.Spacing, 0.15)
	look(key("header.platen_diameter"), l.Header.Platen, 0.3)
	look(key("stand.core_diameter"), l.Stand.CoreDiameter, 0.03)
	for i, s := range l.Stand.Slots {
		look(key("stand.slots."+strconv.Itoa(i)+".width"), s.Width, 0.3)
	}
	if path != "lines.0" { // what the lines share is told once
		return
	}
	for i, s := range doc.Specs {
		at := "specs." + strconv.Itoa(i)
		look(at+".overhang.optimum", s.Overhang.Optimum, 0.02)
		look(at+".overlap", s.Overlap, 0.02)
	}
	for i, c := range doc.Cores {
		look("cores."+strconv.Itoa(i)+".diameter", c.Diameter, 0.03)
	}
	for i, h := range doc.Stock {
		for j, v := range h.Diameters {
			look("head_materials."+strconv.Itoa(i)+".diameters."+strconv.Itoa(j), v, 0.1)
		}
	}
}

// idleFactor is how many times beyond the greatest value that can occur a limit
// stands before it is called idle.
const idleFactor = 5

const idleText = "limit that can never bind"

// checkIdle warns of limits that can never bind.
func (d *decoder) checkIdle(doc *document, l *line, path string) {
	key := func(k string) string { return join(path, k) }
	idle := func(k, got, want, remedy string) {
		d.warning(d.where(key(k)), key(k), idleText, got, want, remedy)
	}
	length := func(v float64) string { return quantity.Round(v, quantity.Length, doc.Units.Length, 3) }
	plain := func(v float64) string { return quantity.Format(v, quantity.None, "") }
	m := &l.Limits
	if k := "limits.permissives"; d.good(key(k)) && m.Permissives == 0 {
		idle(k, "0x0", "the bits that must be on", "write the permissives of the line, as in 0x3F; without one a recipe is offered in any state of it")
	}
	if k := "limits.scan_quality"; d.good(key(k)) && m.MinQuality == 0 {
		idle(k, "0", "more than 0", "write the least quality at which a measurement may be used")
	}
	if k := "limits.guard_k"; d.good(key(k)) && m.GuardK == 0 {
		d.warning(d.where(key(k)), key(k), "uncertainty is not looked at", "0", "more than 0, commonly 2", "write how many standard uncertainties a value must keep from its limit")
	}
	for _, x := range []struct {
		key    string
		v      float64
		of     string
		within recipe.Range
	}{
		{"limits.width_spread", m.MaxSpread, "limits.width", m.Width},
		{"limits.order_width", m.OrderWidth, "limits.width", m.Width},
		{"limits.order_diameter", m.OrderDia, "limits.diameter", m.Diameter},
	} {
		if span := x.within.Max - x.within.Min; d.good(key(x.key), key(x.of)) && span > 0 && x.v >= span {
			idle(x.key, length(x.v), "less than the "+length(span)+" between the limits of "+x.of, "lower it")
		}
	}
	if k := "limits.platen_band"; d.good(key(k), key("limits.header_temperature")) {
		if span := m.Temperature.Max - m.Temperature.Min; span > 0 && m.PlatenBand >= span {
			idle(k, quantity.Format(m.PlatenBand, quantity.TemperatureDifference, ""), "less than the "+quantity.Round(span, quantity.TemperatureDifference, "", 1)+" of header_temperature", "lower it")
		}
	}
	if k := "limits.ovality"; d.good(key(k)) && m.MaxOvality == 0 {
		d.warning(d.where(key(k)), key(k), "no roll is round enough", plain(0), "more than 0", "write the ovality at which a roll is held")
	}
	d.checkIdleMost(doc, l, path)
}

// checkIdleMost warns of greatest limits that no roll comes near. One that is
// not given is left alone: a default that is too wide for a small line is no
// mistake of its own.
func (d *decoder) checkIdleMost(doc *document, l *line, path string) {
	m := &l.Limits
	key := func(k string) string { return join(path, k) }
	given := func(k string) bool { _, ok := d.at[key(k)]; return ok }
	idle := func(k, got, want string) {
		d.warning(d.where(key(k)), key(k), idleText, got, want, "lower the greatest limit")
	}
	if k := "limits.feed_length"; given(k) && d.good(key(k), key("limits.diameter"), "specs", "papers") && len(doc.Specs) > 0 {
		feed := 0.0
		for _, s := range doc.Specs {
			feed = math.Max(feed, math.Pi*s.Layers*m.Diameter.Max+s.Overlap+s.Tail)
		}
		if m.FeedLength.Max > idleFactor*feed {
			length := func(v float64) string { return quantity.Round(v, quantity.Length, doc.Units.Length, 3) }
			idle(k, length(m.FeedLength.Max), "near the "+length(feed)+" that the largest roll takes")
		}
	}
	if k := "limits.gross"; given(k) && d.good(key(k), key("limits.diameter"), key("limits.width"), "grades") && len(doc.Grades) > 0 {
		density := 0.0
		for _, g := range doc.Grades {
			density = math.Max(density, g.Density)
		}
		heaviest := math.Pi / 4 * m.Diameter.Max * m.Diameter.Max * m.Width.Max * density
		if heaviest > 0 && m.Gross.Max > idleFactor*heaviest {
			show := func(v float64) string { return quantity.Round(v, quantity.Mass, doc.Units.Mass, 1) }
			idle(k, show(m.Gross.Max), "near the "+show(heaviest)+" of the heaviest roll")
		}
	}
}

// usualSlots is how many slots a stand has as a rule, at least.
const usualSlots = 4

// checkSlots warns of a stand of few slots, and of slots that serve no roll of the line.
func (d *decoder) checkSlots(doc *document, l *line, path string) {
	if key, n := join(path, "stand.slots"), len(l.Stand.Slots); d.good(key) && n > 0 && n < usualSlots {
		d.warning(d.where(key), key, "few slots, so that many a roll may find no wrapper that fits", strconv.Itoa(n),
			strconv.Itoa(usualSlots)+" or more, as stands have as a rule", "list every slot of the stand; the command widths tells which rolls of a schedule these serve")
	}
	if !d.good("specs", "papers", join(path, "limits.width"), join(path, "centring.tolerance")) {
		return
	}
	for i, s := range l.Stand.Slots {
		at := join(path, "stand.slots."+strconv.Itoa(i))
		if !d.good(at) {
			continue
		}
		allowed, serves := false, false
		for _, spec := range doc.Specs {
			if !slices.Contains(spec.Papers, s.Paper) {
				continue
			}
			allowed = true
			widest, narrowest := s.Width-2*spec.Overhang.Min, s.Width-2*spec.Overhang.Max
			serves = serves || widest >= l.Limits.Width.Min && narrowest <= l.Limits.Width.Max
		}
		show := func(v float64) string { return quantity.Round(v, quantity.Length, doc.Units.Length, 3) }
		switch {
		case len(doc.Specs) == 0:
		case !allowed:
			d.warning(d.where(at+".paper"), at+".paper", "paper that no wrap specification allows, so the slot is never chosen", quoted(s.Paper), "a paper of a specification", "add it to papers of a specification, or correct the slot")
		case !serves:
			d.warning(d.where(at+".width"), at+".width", "width that serves no roll within limits.width, so the slot is never chosen", show(s.Width),
				"a roll of "+show(l.Limits.Width.Min)+".."+show(l.Limits.Width.Max)+" with its overhang", "correct the width, or limits.width")
		}
	}
}

// checkUnused warns of what nothing refers to.
func (d *decoder) checkUnused(doc *document) {
	if !d.good("papers", "head_materials", "specs", "grades", "lines") {
		return
	}
	unused := func(section string, i int, name, by, remedy string) {
		key := section + "." + strconv.Itoa(i) + ".name"
		d.warning(d.where(key), key, "nothing uses it", quoted(name), by, remedy)
	}
	for i, p := range doc.Papers {
		used := slices.ContainsFunc(doc.Specs, func(s recipe.Spec) bool { return slices.Contains(s.Papers, p.Name) }) ||
			slices.ContainsFunc(doc.Lines, func(l line) bool {
				return slices.ContainsFunc(l.Stand.Slots, func(s recipe.SlotSpec) bool { return s.Paper == p.Name })
			})
		if !used {
			unused("papers", i, p.Name, "a specification or a slot that names it", "remove it, or name it where it is meant")
		}
	}
	for i, h := range doc.Stock {
		if !slices.ContainsFunc(doc.Specs, func(s recipe.Spec) bool { return s.Head == h.Name || s.InnerHead == h.Name }) {
			unused("head_materials", i, h.Name, "a specification that names it", "remove it, or name it where it is meant")
		}
	}
	// Orders may name a specification too.
	if slices.ContainsFunc(doc.Lines, func(l line) bool { return !l.Orders.Off() }) {
		return
	}
	for i, s := range doc.Specs {
		if len(doc.Grades) > 0 && !slices.ContainsFunc(doc.Grades, func(g recipe.Grade) bool { return g.Spec == s.Name }) {
			unused("specs", i, s.Name, "a grade that names it", "remove it, or name it where it is meant")
		}
	}
}
