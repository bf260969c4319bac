package recipe_test

import (
	"math"
	"math/cmplx"
	"math/rand"
	"sort"
	"testing"

	"lapgate/recipe"
)

// naive is a second calculation of a recipe, written without a look at the
// first: loops and bisection where that has closed forms and Newton's method.
type naive struct {
	slot                        int
	width, overhang             float64
	outer, inner                float64
	feed, wrapTime              float64
	counts                      int64
	crimpTime                   float64
	dwell, nominal, fast        float64
	closeMin, closeMax          float64
	turning, feedHz             float64
	crimpTurning, crimper       float64
	centre, position            float64
	stroke, contact             float64
	glue, gross, tare, uGross   float64
	zones                       uint16
	uOverhang, uFeed, uDwell    float64
	uCentre, uCrimp             float64
	hasSlot, hasFeed, hasHeader bool
}

func naiveRecipe(l *recipe.Line, r *recipe.Roll, st *recipe.Stand) naive {
	var n naive
	var spec recipe.Spec
	for _, g := range l.Materials.Grades {
		if g.Code == r.Grade {
			for _, s := range l.Materials.Specs {
				if s.Name == g.Spec {
					spec = s
				}
			}
		}
	}
	at := naiveEnds(r)
	core := 0.0
	for _, c := range l.Materials.Cores {
		if c.Code == r.Core {
			core = c.Diameter
		}
	}
	if r.Core == 0 {
		for _, c := range l.Materials.Cores {
			core = math.Max(core, c.Diameter)
		}
	}
	var head recipe.HeadMaterial
	for _, h := range l.Materials.Stock {
		if h.Name == spec.Head {
			head = h
			n.outer = largestUnder(h.Diameters, at.smallest-l.Limits.GuardK*math.Sqrt(sq(r.DiameterU)+sq(l.Heads.SizeU))-2*l.Heads.Placement-2*l.Heads.OuterEdge)
		}
		if h.Name == spec.InnerHead {
			n.inner = largestUnder(h.Diameters, at.smallest-l.Limits.GuardK*math.Sqrt(sq(r.DiameterU)+sq(l.Heads.SizeU))-2*l.Heads.InnerEdge)
		}
	}

	type option struct {
		slot     recipe.SlotSpec
		paper    recipe.Paper
		distance float64
		left     float64
	}
	var fit []option
	for _, slot := range l.Stand.Slots {
		for _, paper := range l.Materials.Papers {
			if paper.Name != slot.Paper || !st.Ready[slot.Number-1] {
				continue
			}
			permitted := false
			for _, name := range spec.Papers {
				permitted = permitted || name == paper.Name
			}
			if !permitted {
				continue
			}
			left, sure := math.MaxFloat64, math.MaxFloat64
			if od := st.Outer[slot.Number-1]; od > 0 {
				wound := func(od, t float64) float64 {
					area := math.Pi/4*od*od - math.Pi/4*l.Stand.CoreDiameter*l.Stand.CoreDiameter
					return math.Max(0, area/t)
				}
				left = wound(od, paper.Caliper)
				const h = 1e-6
				byOuter := math.Pi / 2 * od / paper.Caliper * l.Stand.OuterU
				byCaliper := (wound(od, paper.Caliper*(1+h)) - wound(od, paper.Caliper*(1-h))) / (2 * h * paper.Caliper) * paper.CaliperU
				sure = left - l.Limits.GuardK*math.Sqrt(sq(byOuter)+sq(byCaliper))
			}
			if sure < naiveFeed(r.Diameter, paper.Caliper, spec, l.Wrap.FeedSlip)+l.Stand.Reserve {
				continue
			}
			o := slot.Width/2 - r.Width/2
			// The rules at the end that hurts: the sheet is the narrowest over
			// the widest place, and the widest over the narrowest one.
			k, e := l.Limits.GuardK, l.Centring.Tolerance
			scarce, ample := slot.Width/2-at.widest/2-e, slot.Width/2-at.narrowest/2+e
			half := func(us ...float64) float64 {
				sum := 0.0
				for _, u := range us {
					sum += sq(u)
				}
				return k * math.Sqrt(sum/4)
			}
			const hair = 1e-9
			guard := half(r.WidthU, l.Stand.WidthU)
			if scarce-guard < spec.Overhang.Min-hair || ample+guard > spec.Overhang.Max+hair {
				continue
			}
			if ample+half(r.WidthU, l.Stand.WidthU, r.DiameterU) > at.smallest/2-core/2-l.Crimp.Clearance+hair {
				continue
			}
			// The head lies off its place, on the poor side.
			edge := n.outer/2 - l.Heads.Placement
			if n.outer > 0 && edge-(at.largest/2+spec.Layers*paper.Caliper-scarce)-half(r.WidthU, l.Stand.WidthU, r.DiameterU, l.Heads.SizeU) < spec.MinLap-hair {
				continue
			}
			// To a nanometre, so that rounding makes no difference of a tie.
			fit = append(fit, option{slot, paper, math.Round(math.Abs(o-spec.Overhang.Optimum)*1e8) / 1e8, left})
		}
	}
	sort.Slice(fit, func(a, b int) bool {
		x, y := fit[a], fit[b]
		if x.distance != y.distance {
			return x.distance < y.distance
		}
		if x.slot.Width != y.slot.Width {
			return x.slot.Width > y.slot.Width
		}
		if x.left != y.left {
			return x.left < y.left
		}
		return x.slot.Number < y.slot.Number
	})
	if len(fit) > 0 {
		best := fit[0]
		n.hasSlot, n.hasFeed = true, true
		n.slot, n.width, n.overhang = best.slot.Number, best.slot.Width, best.slot.Width/2-r.Width/2
		n.uOverhang = math.Sqrt(r.WidthU*r.WidthU/4 + l.Stand.WidthU*l.Stand.WidthU/4 + l.Centring.Tolerance*l.Centring.Tolerance/3)
		feed := func(d, t, slip float64) float64 { return naiveFeed(d, t, spec, slip) }
		t := best.paper.Caliper
		n.feed = feed(r.Diameter, t, l.Wrap.FeedSlip)
		n.counts = int64(n.feed * l.Wrap.CountsPerMetre)
		for float64(n.counts) < n.feed*l.Wrap.CountsPerMetre {
			n.counts++
		}
		const h = 1e-4
		n.uFeed = math.Sqrt(sq((feed(r.Diameter+h, t, l.Wrap.FeedSlip)-feed(r.Diameter-h, t, l.Wrap.FeedSlip))/(2*h)*r.DiameterU) +
			sq((feed(r.Diameter, t+h, l.Wrap.FeedSlip)-feed(r.Diameter, t-h, l.Wrap.FeedSlip))/(2*h)*best.paper.CaliperU) +
			sq((feed(r.Diameter, t, l.Wrap.FeedSlip+h)-feed(r.Diameter, t, l.Wrap.FeedSlip-h))/(2*h)*l.Wrap.FeedSlipU))

		around := 0.0
		for range int(spec.Layers) {
			around += 2 * t
		}
		// The lightest that the roll may be holds against the drag.
		var grade recipe.Grade
		for _, g := range l.Materials.Grades {
			if g.Code == r.Grade {
				grade = g
			}
		}
		lightest := (grade.Density - l.Limits.GuardK*grade.DensityU) * r.Width * math.Pi * (r.Diameter*r.Diameter - core*core) / 4
		slip := naiveSlip(l.Cradle, r.Diameter+around, core, 0)
		braked := naiveSlip(l.Cradle, r.Diameter+around, core, l.Wrap.Tension*best.slot.Width/lightest)
		dragged := naiveSlip(l.Cradle, r.Diameter+around, core, l.Crimp.Drag/lightest)
		if n.hasFeed = braked > 0; !n.hasFeed {
			n.feed, n.counts, n.uFeed = 0, 0, 0
		} else {
			n.wrapTime = naiveMove(n.feed, l.Wrap.Speed, math.Min(l.Wrap.Accel, braked), math.Min(l.Wrap.Decel, slip))
		}
		// As many blades as pleats pass in the same time.
		perPleat := math.Pi * l.Drives.Crimper.Diameter / float64(l.Crimp.Blades)
		under := math.Min(l.Crimp.Speed, spec.CrimpSpeed)
		under = math.Min(under, naiveSurface(l.Drives.Turning, l.Drives.Turning.Limits.Max))
		under = math.Min(under, naiveSurface(l.Drives.Crimper, l.Drives.Crimper.Limits.Max)*spec.PleatPitch/perPleat)
		if dragged > 0 {
			n.crimpTime = l.Crimp.Engage + l.Crimp.Retract + naiveMove(
				spec.CrimpTurns*math.Pi*(r.Diameter+around), under,
				math.Min(l.Crimp.Accel, dragged), math.Min(l.Crimp.Decel, slip))
			n.turning = naiveHz(l.Drives.Turning, l.Wrap.Speed)
			n.feedHz = naiveHz(l.Drives.Feed, l.Wrap.Speed+l.Wrap.Speed*l.Wrap.Draw)
			n.crimpTurning = naiveHz(l.Drives.Turning, under)
			n.crimper = naiveHz(l.Drives.Crimper, under/spec.PleatPitch*perPleat)
			// The roll centre by the law of Pythagoras from one turning roll.
			height := func(d, t float64) float64 {
				slope := (d + 2*float64(int(spec.Layers))*t + l.Cradle.RollDiameter) / 2
				return slope * math.Cos(math.Asin(l.Cradle.Spacing/2/slope))
			}
			around := func(d, t float64) float64 {
				return spec.CrimpTurns * math.Pi * (d + 2*float64(int(spec.Layers))*t) / under
			}
			n.centre = height(r.Diameter, t)
			n.position = r.Diameter/2 + float64(int(spec.Layers))*t + l.Crimp.Standoff
			const h = 1e-5
			both := func(f func(d, t float64) float64) float64 {
				return math.Sqrt(sq((f(r.Diameter+h, t)-f(r.Diameter-h, t))/(2*h)*r.DiameterU) +
					sq((f(r.Diameter, t+h)-f(r.Diameter, t-h))/(2*h)*best.paper.CaliperU))
			}
			n.uCentre, n.uCrimp = both(height), both(around)
		}
		for i := len(l.Vacuum.Edges) - 1; i >= 0 && n.hasFeed; i-- {
			// The wrapper's edges, left and right of the line centre.
			left, right := l.Centring.Target-best.slot.Width/2, l.Centring.Target+best.slot.Width/2
			n.zones *= 2
			if left <= -l.Vacuum.Edges[i]+1e-9 && right >= l.Vacuum.Edges[i]-1e-9 {
				n.zones++
			}
		}
	}

	if n.outer > 0 && n.hasSlot {
		n.header(l, r, st, head, core)
	}
	if n.outer > 0 && head.Method == recipe.Glued {
		// Around the middle of the ring.
		n.glue = 2 * l.Glue.Coverage * l.Glue.Band * math.Pi * (n.outer - l.Glue.Band)
	}
	if n.hasSlot {
		n.mass(l, r, spec, head)
	}
	return n
}

// mass adds up what lies on the scale.
func (n *naive) mass(l *recipe.Line, r *recipe.Roll, spec recipe.Spec, head recipe.HeadMaterial) {
	var grade recipe.Grade
	for _, g := range l.Materials.Grades {
		if g.Code == r.Grade {
			grade = g
		}
	}
	paper := func(d, core, w, rho float64) float64 {
		return (math.Pi*d/2*d/2 - math.Pi*core/2*core/2) * w * rho
	}
	for _, p := range l.Materials.Papers {
		for _, s := range l.Stand.Slots {
			if s.Number == n.slot && s.Paper == p.Name {
				n.tare += naiveFeed(r.Diameter, p.Caliper, spec, 0) * n.width * p.BasisWeight
			}
		}
	}
	n.tare += 2 * math.Pi * n.outer / 2 * n.outer / 2 * head.BasisWeight
	for _, h := range l.Materials.Stock {
		if h.Name == spec.InnerHead {
			n.tare += 2 * math.Pi * n.inner / 2 * n.inner / 2 * h.BasisWeight
		}
	}
	n.tare += n.glue
	// One core after the other: that of the roll, or all where none is told.
	var gross []float64
	var cores, square float64
	for _, c := range l.Materials.Cores {
		if r.Core == 0 || c.Code == r.Core {
			gross = append(gross, paper(r.Diameter, c.Diameter, r.WidthMedian, grade.Density)+c.Mass*r.WidthMedian)
			cores += c.Mass * r.WidthMedian
			square += c.Diameter * c.Diameter
		}
	}
	count := float64(len(gross))
	sum := 0.0
	for _, g := range gross {
		sum += g
	}
	sort.Float64s(gross)
	n.gross = n.tare + sum/count
	n.tare += cores / count
	core := math.Sqrt(square / count)
	const h = 1e-4
	n.uGross = math.Sqrt(sq((paper(r.Diameter+h, core, r.WidthMedian, grade.Density)-paper(r.Diameter-h, core, r.WidthMedian, grade.Density))/(2*h)*r.DiameterU) +
		sq((paper(r.Diameter, core, r.WidthMedian+h, grade.Density)-paper(r.Diameter, core, r.WidthMedian-h, grade.Density))/(2*h)*r.WidthU) +
		sq((paper(r.Diameter, core, r.WidthMedian, grade.Density+h)-paper(r.Diameter, core, r.WidthMedian, grade.Density-h))/(2*h)*grade.DensityU) +
		sq(gross[len(gross)-1]-gross[0])/12)
}

// naiveHz counts revolutions a minute, with the slip of the motor's plate.
func naiveHz(d recipe.Drive, speed float64) float64 {
	rpm := 60 * speed / (math.Pi * d.Diameter) * d.Gear
	if !d.Compensate {
		rpm += 120*d.BaseHz/float64(d.Poles) - 60*d.RatedSpeed
	}
	return rpm * float64(d.Poles) / 120
}

// naiveSurface finds the speed of a frequency by bisection.
func naiveSurface(d recipe.Drive, hz float64) float64 {
	lo, hi := 0.0, 1000.0
	for range 80 {
		if mid := (lo + hi) / 2; naiveHz(d, mid) < hz {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

func sq(v float64) float64 { return v * v }

func largestUnder(sizes []float64, diameter float64) float64 {
	sorted := append([]float64(nil), sizes...)
	sort.Float64s(sorted)
	best := 0.0
	for _, s := range sorted {
		if s <= diameter {
			best = s
		}
	}
	return best
}

// naiveFeed goes around layer by layer.
func naiveFeed(d, t float64, spec recipe.Spec, slip float64) float64 {
	length := 0.0
	for range int(spec.Layers) {
		length += math.Pi * (d + t)
		d += 2 * t
	}
	return (length + spec.Overlap + spec.Tail) / (1 - slip)
}

// naiveMove finds the peak speed whose ramps just fit the path.
func naiveMove(path, speed, accel, decel float64) float64 {
	up, down := speed*speed/(2*accel), speed*speed/(2*decel)
	if up+down <= path {
		return speed/accel + speed/decel + (path-up-down)/speed
	}
	peak := speed * math.Sqrt(path/(up+down))
	return peak/accel + peak/decel
}

// naiveSlip raises the surface acceleration of a roll in the cradle, bored
// out by its core, until the contact that it relieves begins to slip under a
// drag at its surface. Forces are over the mass of the roll.
func naiveSlip(c recipe.Cradle, diameter, bore, drag float64) float64 {
	half := (diameter + c.RollDiameter) / 2
	lean := math.Asin(c.Spacing / 2 / half)
	rest := 9.80665 / 2 / math.Cos(lean)
	inertia := 0.5 * (1 + bore*bore/(diameter*diameter))
	lo, hi := 0.0, 1000.0
	for range 80 {
		a := (lo + hi) / 2
		push := inertia * a / 2 // at each contact
		normal := rest - push/math.Tan(lean)
		if push <= c.Friction*normal {
			lo = a
		} else {
			hi = a
		}
	}
	// The drag takes its part of what the safety factor leaves.
	return (lo/c.Safety*inertia - drag) / inertia
}

// ends are the smallest and greatest dimensions of a roll.
type ends struct{ smallest, largest, narrowest, widest float64 }

// naiveEnds takes the samples where there are some, else half of the ovality
// and of the spread to either side.
func naiveEnds(r *recipe.Roll) ends {
	e := ends{r.DiameterMin, r.DiameterMax, r.WidthMin, r.WidthMax}
	if e.smallest == 0 {
		e.smallest = r.Diameter - r.Diameter*r.Ovality/2
	}
	if e.largest == 0 {
		e.largest = r.Diameter + r.Diameter*r.Ovality/2
	}
	if e.narrowest == 0 {
		e.narrowest = r.Width - r.WidthSpread/2
	}
	if e.widest == 0 {
		e.widest = r.Width + r.WidthSpread/2
	}
	return e
}

// naiveFast finds it over the series of the plane wall with many terms, its
// eigenvalues by bisection too.
func naiveFast(m recipe.HeadMaterial, conductance, share float64) float64 {
	alpha := m.Conductivity / (m.Density * m.HeatCapacity)
	biot := conductance * m.Thickness / m.Conductivity
	var zeta, factor []float64
	for n := range 20 {
		lo, hi := float64(n)*math.Pi, (float64(n)+0.5)*math.Pi
		for range 80 {
			if mid := (lo + hi) / 2; mid*math.Sin(mid)*math.Cos(float64(n)*math.Pi) < biot*math.Cos(mid)*math.Cos(float64(n)*math.Pi) {
				lo = mid
			} else {
				hi = mid
			}
		}
		zeta = append(zeta, lo)
		factor = append(factor, 4*math.Sin(lo)/(2*lo+math.Sin(2*lo)))
	}
	theta := func(t float64) float64 {
		sum := 0.0
		for n := range zeta {
			sum += factor[n] * math.Exp(-zeta[n]*zeta[n]*alpha*t/(m.Thickness*m.Thickness))
		}
		return 1 - sum
	}
	return bisectTime(theta, share)
}

func bisectTime(theta func(float64) float64, share float64) float64 {
	lo, hi := 0.0, 1.0
	for theta(hi) < share {
		lo, hi = hi, 2*hi
	}
	for range 70 {
		if mid := (lo + hi) / 2; theta(mid) < share {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// header presses the head on the ring of the fold.
func (n *naive) header(l *recipe.Line, r *recipe.Roll, st *recipe.Stand, head recipe.HeadMaterial, core float64) {
	piston := math.Pi * l.Header.Bore / 2 * l.Header.Bore / 2
	force := l.Header.Pressure * piston * float64(l.Header.Cylinders) * l.Header.Efficiency
	edge := math.Min(n.outer, l.Header.Platen) / 2
	within := math.Max(r.Diameter/2-n.overhang, core/2)
	if edge <= within {
		return
	}
	contact := force / (math.Pi*edge*edge - math.Pi*within*within)
	p := math.Min(math.Max(contact, l.Header.Calibrated.Min), l.Header.Calibrated.Max)
	platen := math.Min(head.Setpoint, st.Platen) - l.Header.Allowance
	if l.Header.ConductanceU > 0.3*l.Header.Conductance*(1+1e-9) {
		return
	}
	bond, water := head.BondTarget, 0.0
	if head.Method == recipe.Glued {
		bond = math.Min(bond, 100)
		water = math.Max(0, l.Glue.Coverage-l.Glue.Coverage*l.Glue.Solids-head.BasisWeight/20)
	}
	if bond >= platen {
		return
	}
	// h, e2, L, k, start in K
	x0 := [5]float64{
		l.Header.Conductance * math.Exp(l.Header.Exponent*math.Log(p/l.Header.Reference)),
		l.Header.Backing, head.Thickness, head.Conductivity, l.Header.Start + 273.15,
	}
	u := [5]float64{l.Header.ConductanceU / l.Header.Conductance, l.Header.BackingU / l.Header.Backing,
		head.ThicknessU / head.Thickness, head.ConductivityU / head.Conductivity, l.Header.StartU / x0[4]}
	time := func(x [5]float64) float64 {
		return naivePress(x, head.Density, head.HeatCapacity, l.Header.BondResistance, platen, bond, water)
	}
	gradient := func(x [5]float64) (g [5]float64) {
		const h = 1e-4
		for i := range x {
			up, down := x, x
			up[i] *= math.Exp(h)
			down[i] *= math.Exp(-h)
			g[i] = (math.Log(time(up)) - math.Log(time(down))) / (2 * h)
		}
		return g
	}
	distance := 2.2
	if u[0] > 0.2*(1+1e-9) {
		distance = 2.3
	}
	length := func(g [5]float64) float64 {
		sum := 0.0
		for i := range g {
			sum += sq(g[i] * u[i])
		}
		return math.Sqrt(sum)
	}
	x := x0
	n.nominal = time(x0)
	g := gradient(x0)
	n.uDwell = n.nominal * length(g)
	for range 2 {
		for i := range g {
			z := distance * g[i] * u[i] / length(g)
			if z < 0 {
				x[i] = x0[i] * math.Max(0.05, 1+z*u[i])
			} else {
				x[i] = x0[i] * math.Exp(z*u[i])
			}
		}
		g = gradient(x)
		for i := range g {
			if x[i] < x0[i] {
				g[i] *= x0[i] / x[i]
			}
		}
	}
	n.hasHeader = true
	n.stroke, n.contact = l.Header.OpenGap+l.Limits.Width.Max/2-r.Width/2, contact
	n.dwell = time(x)
	n.fast = naiveFast(head, x0[0], (bond-l.Header.Start)/(head.Setpoint-l.Header.Start))
	n.closeMin = platen
	n.closeMax = math.Min(200, math.Max(head.Setpoint, st.PlatenHot)+5)
}

// naivePress is the time until a bond line is warm and dry. The temperature
// comes from its Laplace transform on the fixed Talbot contour of Abate and
// Valkó, Int. J. Numer. Meth. Eng. 60 (2004) 979.
func naivePress(x [5]float64, density, capacity, resistance, platen, bond, water float64) float64 {
	h, e2, thick, k, start := x[0], x[1], x[2], x[3], x[4]-273.15
	e1 := math.Sqrt(k * density * capacity)
	transform := func(s complex128) complex128 {
		q := cmplx.Sqrt(s * complex(density*capacity/k, 0)) // 1/m
		// Impedance of the backing, then of the bond, as conductances seen.
		behind := 1 / (1/(complex(e2, 0)*cmplx.Sqrt(s)) + complex(resistance, 0))
		own := complex(e1, 0) * cmplx.Sqrt(s)
		tanh := cmplx.Tanh(q * complex(thick, 0))
		face := own * (behind + own*tanh) / (own + behind*tanh)
		atFace := complex(h, 0) / (complex(h, 0) + face)
		atBond := atFace / (cmplx.Cosh(q*complex(thick, 0)) + behind/own*cmplx.Sinh(q*complex(thick, 0)))
		// The colder side is the one of the backing.
		return atBond * behind / (complex(e2, 0) * cmplx.Sqrt(s)) / s
	}
	theta := func(t float64) float64 {
		const m = 18
		r := 2.0 * m / (5 * t)
		sum := 0.5 * math.Exp(r*t) * real(transform(complex(r, 0)))
		for i := 1; i < m; i++ {
			a := float64(i) * math.Pi / m
			cot := 1 / math.Tan(a)
			s := complex(r*a*cot, r*a)
			sigma := a + (a*cot-1)*cot
			sum += real(cmplx.Exp(s*complex(t, 0)) * transform(s) * complex(1, sigma))
		}
		return r / m * sum
	}
	warm := bisectTime(theta, (bond-start)/(platen-start))
	if water == 0 {
		return warm
	}
	a := (platen - bond) / (1/h + thick/k)
	b := 2 / math.Sqrt(math.Pi) * e2 * (bond - start)
	latent := 2.26e6 + (100-bond)/40*0.1e6
	need := water*latent + a*0.3*warm - b*math.Sqrt(0.3*warm)
	lo, hi := 0.0, 1.0
	excess := func(t float64) float64 { return a*t - b*math.Sqrt(t) - need }
	for excess(hi) < 0 || hi < b*b/(4*a*a) {
		hi *= 2
	}
	lo = b * b / (4 * a * a)
	for range 80 {
		if mid := (lo + hi) / 2; excess(mid) < 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi + 0.7*warm
}

func TestComputeAgainstNaive(t *testing.T) {
	r := rand.New(rand.NewSource(20260301))
	served, pressed := 0, 0
	for i := range 400 {
		line := randomLine(r)
		roll, stand := randomRoll(r, line), randomStand(r)
		var rec recipe.Recipe
		recipe.Compute(line, roll, stand, &rec)
		want := naiveRecipe(line, roll, stand)
		sp, u := &rec.Setpoints, &rec.Uncertainty
		if got := sp.Groups.Has(recipe.GroupStand); got != want.hasSlot || sp.Slot != want.slot {
			t.Fatalf("roll %d: slot %d (%v), naive %d (%v); roll %+v stand %+v", i, sp.Slot, got, want.slot, want.hasSlot, roll, stand)
		}
		if got := sp.Groups.Has(recipe.GroupHeader); got != want.hasHeader {
			t.Fatalf("roll %d: header in force %v, naive %v", i, got, want.hasHeader)
		}
		if sp.FeedCounts != want.counts {
			t.Errorf("roll %d: counts %d, naive %d", i, sp.FeedCounts, want.counts)
		}
		if sp.VacuumZones != want.zones {
			t.Errorf("roll %d: zones %b, naive %b", i, sp.VacuumZones, want.zones)
		}
		if want.hasSlot {
			served++
		}
		if want.hasHeader {
			pressed++
		}
		for _, c := range []struct {
			name      string
			got, want float64
			most      float64
		}{
			{"wrapper width", sp.WrapperWidth, want.width, 1e-9},
			{"overhang", sp.Overhang, want.overhang, 1e-9},
			{"outer head", sp.OuterHead, want.outer, 1e-9},
			{"inner head", sp.InnerHead, want.inner, 1e-9},
			{"feed length", sp.FeedLength, want.feed, 1e-9},
			{"wrap time", sp.WrapTime, want.wrapTime, 1e-9},
			{"crimp time", sp.CrimpTime, want.crimpTime, 1e-9},
			{"turning frequency", sp.TurningHz, want.turning, 1e-9},
			{"feed frequency", sp.FeedHz, want.feedHz, 1e-9},
			{"turning frequency while crimping", sp.CrimpTurningHz, want.crimpTurning, 1e-9},
			{"crimper frequency", sp.CrimperHz, want.crimper, 1e-9},
			{"centre height", sp.RollCentreHeight, want.centre, 1e-9},
			{"crimper position", sp.CrimperPosition, want.position, 1e-9},
			{"platen stroke", sp.PlatenStroke, want.stroke, 1e-9},
			{"contact pressure", sp.ContactPressure, want.contact, 1e-9},
			{"glue", sp.GlueMass, want.glue, 1e-9},
			{"gross", sp.Gross, want.gross, 1e-9},
			{"tare", sp.Tare, want.tare, 1e-9},
			{"uncertainty of gross", u.Gross, want.uGross, 1e-6},
			{"dwell", sp.HeaderDwell, want.dwell, 2e-5},
			{"fast dwell", sp.HeaderDwellFast, want.fast, 1e-9},
			{"least closing temperature", sp.CloseMin, want.closeMin, 1e-9},
			{"greatest closing temperature", sp.CloseMax, want.closeMax, 1e-9},
			{"nominal dwell", sp.HeaderDwellNominal, want.nominal, 1e-5},
			// These are difference quotients in the naive calculation.
			{"uncertainty of overhang", u.Overhang, want.uOverhang, 1e-9},
			{"uncertainty of feed length", u.FeedLength, want.uFeed, 1e-6},
			{"uncertainty of centre height", u.CentreHeight, want.uCentre, 1e-6},
			{"uncertainty of crimp time", u.CrimpTime, want.uCrimp, 1e-6},
			{"uncertainty of dwell", u.Dwell, want.uDwell, 2e-4},
		} {
			if !(math.Abs(c.got-c.want) <= c.most*math.Abs(c.want)) {
				t.Errorf("roll %d: %s is %.15g, naive %.15g", i, c.name, c.got, c.want)
			}
		}
		if t.Failed() {
			t.FailNow()
		}
	}
	if served < 120 || pressed < 60 {
		t.Errorf("only %d rolls had a slot and %d a press: the comparison says little", served, pressed)
	}
	t.Logf("%d of 400 rolls had a slot, %d a press", served, pressed)
}
