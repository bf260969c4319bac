package config

import (
	"math"
	"strconv"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/reel"
)

// checkMaterials checks the shared sections and what they say of each other.
func (d *decoder) checkMaterials(doc *document) {
	papers := d.names("papers", len(doc.Papers), func(i int) string { return doc.Papers[i].Name })
	heads := d.names("head_materials", len(doc.Stock), func(i int) string { return doc.Stock[i].Name })
	specs := d.names("specs", len(doc.Specs), func(i int) string { return doc.Specs[i].Name })
	d.names("grades", len(doc.Grades), func(i int) string { return doc.Grades[i].Name })
	d.names("cores", len(doc.Cores), func(i int) string { return doc.Cores[i].Name })
	d.codes("grades", len(doc.Grades), func(i int) int { return doc.Grades[i].Code })
	d.codes("cores", len(doc.Cores), func(i int) int { return doc.Cores[i].Code })

	for i, p := range doc.Papers {
		at := "papers." + strconv.Itoa(i)
		u := at + ".caliper_uncertainty"
		if d.good(at+".caliper", u) && p.CaliperU > p.Caliper/2 {
			d.warning(d.where(u), u, "uncertainty over half the value", quantity.Format(p.CaliperU, quantity.Length, "mm"), "a small part of "+quantity.Format(p.Caliper, quantity.Length, "mm"), "measure the caliper")
		}
	}
	for i := range doc.Papers {
		d.checkLabel(doc, i)
	}
	for i := range doc.Stock {
		d.checkHead(doc, i)
	}
	for i, g := range doc.Grades {
		d.reference("grades."+strconv.Itoa(i)+".spec", g.Spec, "wrap specification", specs, "specs")
	}
	if d.good("specs") && len(doc.Specs) == 0 {
		d.problem(d.where("specs"), "specs", "no wrap specification", "an empty list", "one at least", "add one, as in the reference configuration")
	}
	for i := range doc.Specs {
		d.checkSpec(doc, i, papers, heads)
	}
	if d.good("grades") && len(doc.Grades) == 0 {
		d.warning(d.where("grades"), "grades", "no paper grade", "an empty list", "the grades that the controller reports", "add them, or every roll needs its specification from an order")
	}
}

// How well a labelled roll is known (J): its outer diameter as with a tape, its
// length as makers promise it.
const (
	labelOuterU  = 0.001 // m
	labelLengthU = 0.005 // relative
)

// checkLabel compares the wound caliper of a paper with the one that a roll of
// labelled length makes.
func (d *decoder) checkLabel(doc *document, i int) {
	p := &doc.Papers[i]
	at := "papers." + strconv.Itoa(i)
	length, caliper := at+".label_length", at+".caliper"
	if p.LabelLength == 0 || !d.good(length, at+".label_outer", at+".label_core", caliper, at+".caliper_uncertainty") {
		return
	}
	label := reel.Estimate{Length: p.LabelLength, U: labelLengthU * p.LabelLength, Known: true}
	wound, u, err := reel.Caliper(p.LabelOuter, labelOuterU, p.LabelCore, label)
	show := func(v float64) string { return quantity.Round(v, quantity.Length, doc.Units.Length, 4) }
	if err != nil {
		key := at + ".label_outer"
		d.problem(d.given(key, length), key, "no roll", show(p.LabelOuter), "more than the core of "+show(p.LabelCore), "write the outer diameter of the labelled roll")
		return
	}
	const k = 2
	if math.Abs(wound-p.Caliper) > k*math.Hypot(u, p.CaliperU) {
		d.warning(d.given(caliper, length), caliper, "not the caliper of the labelled roll", show(p.Caliper), show(wound)+" ± "+show(k*u), "write caliper: "+quantity.Round(wound, quantity.Length, "mm", 4)+", or correct the label")
	}
}

// names lists the names of a section and reports those used twice.
func (d *decoder) names(section string, n int, name func(int) string) []string {
	out, all := make([]string, n), make([]named, n)
	for i := range n {
		out[i] = name(i)
		all[i] = named{section + "." + strconv.Itoa(i) + ".name", out[i]}
	}
	d.unique(all, "name")
	return out
}

func (d *decoder) codes(section string, n int, code func(int) int) {
	all := make([]named, n)
	for i := range n {
		if c := code(i); c != 0 {
			all[i] = named{section + "." + strconv.Itoa(i) + ".code", strconv.Itoa(c)}
		}
	}
	d.unique(all, "code")
}

func (d *decoder) checkHead(doc *document, i int) {
	h := &doc.Stock[i]
	at := "head_materials." + strconv.Itoa(i)
	bond, platen := at+".bond_temperature", at+".platen_temperature"
	show := func(v float64) string { return quantity.Round(v, quantity.Temperature, doc.Units.Temperature, 1) }
	if d.good(bond, platen) && h.BondTarget >= h.Setpoint {
		d.problem(d.given(bond, platen), bond, "bond temperature not below the platen", show(h.BondTarget), "less than the platen's "+show(h.Setpoint), "the bond line never gets hotter than the platen; lower one or raise the other")
	}
	if d.good(platen) && h.Setpoint > recipe.HottestPlaten {
		d.problem(d.where(platen), platen, "platen hotter than any may be", show(h.Setpoint), "at most "+show(recipe.HottestPlaten), "lower it: paper takes fire not far above, and no setting can raise this")
	}
	if film := at + ".film"; h.Film && h.Method == recipe.Glued && d.good(film, at+".method") {
		d.problem(d.where(film), film, "film on a glued head", "true", "false", "no vapour passes a film, so the glue would not dry; fuse the head, or take one without a film")
	}
	sizes := at + ".diameters"
	if !d.good(sizes) {
		return
	}
	if len(h.Diameters) == 0 {
		d.warning(d.where(sizes), sizes, "no sizes in stock", "an empty list", "the diameters of the heads", "add them, or every roll that needs this head is held")
	}
	for j, v := range h.Diameters {
		key := sizes + "." + strconv.Itoa(j)
		length := func(v float64) string { return quantity.Round(v, quantity.Length, doc.Units.Length, 3) }
		switch {
		case v == 0:
			d.problem(d.where(key), key, "head without a size", length(v), "more than "+length(0), "remove it")
		case v > maxHead():
			d.problem(d.where(key), key, "size does not fit its field on the wire (outer head, mm)", length(v), "at most "+length(maxHead()), "correct the size")
		case j > 0 && v <= h.Diameters[j-1]:
			d.problem(d.where(key), key, "sizes not in rising order", length(v), "more than "+length(h.Diameters[j-1]), "list each size once, the smallest first")
		}
	}
}

func (d *decoder) checkSpec(doc *document, i int, papers, heads []string) {
	s := &doc.Specs[i]
	at := "specs." + strconv.Itoa(i)
	if key := at + ".papers"; d.good(key) && len(s.Papers) == 0 {
		d.problem(d.where(key), key, "specification without a paper", "none", "one wrapper material at least", "list the papers it allows")
	}
	all := make([]named, len(s.Papers))
	for j, p := range s.Papers {
		key := at + ".papers." + strconv.Itoa(j)
		all[j] = named{key, p}
		d.reference(key, p, "paper", papers, "papers")
	}
	d.unique(all, "paper")
	d.reference(at+".head", s.Head, "head material", heads, "head_materials")
	if s.InnerHead != "" {
		d.reference(at+".inner_head", s.InnerHead, "head material", heads, "head_materials")
	}
	least, best, most := at+".overhang.min", at+".overhang.optimum", at+".overhang.max"
	show := func(v float64) string { return quantity.Round(v, quantity.Length, doc.Units.Length, 3) }
	o := s.Overhang
	if d.good(least, most) && o.Min > o.Max {
		d.problem(d.given(least, most), least, "overhang limits reversed", show(o.Min), "at most overhang.max of "+show(o.Max), "correct min or max")
		return
	}
	if d.good(least, best) && o.Optimum < o.Min {
		d.problem(d.given(best, least), best, "optimum below the least overhang", show(o.Optimum), "at least overhang.min of "+show(o.Min), "correct optimum or min")
	}
	if d.good(best, most) && o.Optimum > o.Max {
		d.problem(d.given(best, most), best, "optimum above the greatest overhang", show(o.Optimum), "at most overhang.max of "+show(o.Max), "correct optimum or max")
	}
}

// given is the place of the first key that is given, or above the first.
func (d *decoder) given(keys ...string) position {
	for _, k := range keys {
		if p, ok := d.at[k]; ok {
			return p
		}
	}
	return d.where(keys[0])
}

// checkSpecsOnLine warns of specifications that a line must always hold.
func (d *decoder) checkSpecsOnLine(doc *document, l *line, path string) {
	for i, s := range doc.Specs {
		at := "specs." + strconv.Itoa(i)
		if key := at + ".crimp_turns"; l.Equipment.Crimp.Powered() && d.good(key, join(path, "limits.crimp_turns")) && !l.Limits.CrimpTurns.Contains(s.CrimpTurns) {
			r := l.Limits.CrimpTurns
			d.warning(d.where(key), key, "outside the limits of line "+l.Name+", which will hold every roll of it", quantity.Format(s.CrimpTurns, quantity.None, ""), quantity.Format(r.Min, quantity.None, "")+".."+quantity.Format(r.Max, quantity.None, ""), "change it or "+path+".limits.crimp_turns")
		}
		if key := at + ".overhang"; d.good(key, join(path, "centring.tolerance")) && s.Overhang.Max >= s.Overhang.Min && s.Overhang.Max-s.Overhang.Min < 2*l.Centring.Tolerance {
			show := func(v float64) string { return quantity.Round(v, quantity.Length, doc.Units.Length, 3) }
			d.warning(d.where(key), key, "narrower than the centring of line "+l.Name+", which will hold every roll of it", show(s.Overhang.Max-s.Overhang.Min), "at least "+show(2*l.Centring.Tolerance), "widen overhang.min and overhang.max, or improve the centring")
		}
	}
	for i, h := range doc.Stock {
		key := "head_materials." + strconv.Itoa(i) + ".platen_temperature"
		if r := l.Limits.Temperature; l.Equipment.Header.Powered() && d.good(key, join(path, "limits.header_temperature")) && !r.Contains(h.Setpoint) {
			show := func(v float64) string { return quantity.Round(v, quantity.Temperature, doc.Units.Temperature, 1) }
			d.warning(d.where(key), key, "outside the limits of line "+l.Name+", which will hold every roll with this head", show(h.Setpoint), show(r.Min)+".."+show(r.Max), "change it or "+path+".limits.header_temperature")
		}
	}
}
