package recipe

// chooseHeads picks both heads from the stock. A line without heads has none,
// and then no lap to keep.
func (j *job) chooseHeads() {
	if !j.line.Equipment.Heads.Present() && !j.line.Equipment.Header.Present() {
		return
	}
	m := &j.line.Materials
	j.head = m.Head(j.spec.Head)
	if j.head == nil {
		j.problem(HeadUnknown, 0, 0, -1)
	} else if size := largestHead(j.head.Diameters, j.roll.Diameter); size > 0 {
		j.out.Setpoints.OuterHead = size
	} else {
		j.problem(NoHeadSize, j.roll.Diameter, smallestHead(j.head.Diameters), -1)
	}
	if j.spec.InnerHead == "" {
		return
	}
	j.inner = m.Head(j.spec.InnerHead)
	if j.inner == nil {
		j.problem(InnerHeadUnknown, 0, 0, -1)
	} else if size := largestHead(j.inner.Diameters, j.roll.Diameter); size > 0 {
		j.out.Setpoints.InnerHead = size
	} else {
		j.problem(NoInnerHeadSize, j.roll.Diameter, smallestHead(j.inner.Diameters), -1)
	}
}

// largestHead is the largest size in stock that does not stand out beyond a
// roll of that diameter, 0 when there is none.
func largestHead(sizes []float64, diameter float64) float64 {
	best := 0.0
	for _, s := range sizes {
		if s > best && s <= diameter+lengthSlack && finite(s) {
			best = s
		}
	}
	return best
}

// smallestHead is the smallest size in stock, 0 when there is none.
func smallestHead(sizes []float64) float64 {
	least := 0.0
	for _, s := range sizes {
		if s > 0 && (least == 0 || s < least) {
			least = s
		}
	}
	return least
}
