package widths

// The dynamic programme.
//
// Let the nodes of a part stand in order of width, and let every class have a
// peak p such that its cost does not rise from the first node to p and does
// not fall from p on, a node that may not serve it counting as an infinite
// cost. With one paper this always holds: the cost is convex in the width and
// the window is an interval. With several papers it may hold; unimodal tests it
// on the numbers.
//
// Take any set of nodes. Of its nodes at or before p the last serves the
// class at least cost, since costs do not rise up to p; of those after p the
// first does, since costs do not fall from there. So the class takes one of
// two nodes that are neighbours a < b in the set with a ≤ p < b, the start of
// the row and its end standing for neighbours that serve nothing. Every class
// belongs to exactly one pair of neighbours, and the cost of a set is a sum
// over its pairs,
//
//	W(start, j₁) + W(j₁, j₂) + … + W(jₖ, end),   W(a, b) = Σ_{a ≤ p < b} min(c(a), c(b), missed)
//
// plus what it costs to have each node there. Hence the best completion of a
// set whose last node is a, with t slots left, does not depend on what came
// before a:
//
//	B(a, t) = min( W(a, end), min over b > a of W(a, b) + open(b) + B(b, t − 1) )
//
// A fixed node takes none of the free slots and may not be stepped over. The
// minimum over all sets of at most t nodes is B(start, t); picking the lowest
// b that attains it at each step gives the first set of those in ascending
// order. That is exact: nothing is rounded after the costs are quanta.
//
// W is built as a table of second differences. A class touches only the nodes
// in its window, (p − lo + 2)·(hi − p + 2) cells, and two running sums over
// the table finish it: n·w² + m² steps. The recursion takes k·m²/2.

// unimodal reports whether every class has a peak.
func (pt *part) unimodal() bool {
	for i := range pt.classes {
		c := &pt.classes[i]
		p := c.peak()
		for j := c.lo; j < c.hi; j++ {
			if j < p && c.at(j) < c.at(j+1) || j >= p && c.at(j) > c.at(j+1) {
				return false
			}
		}
	}
	return true
}

// peak is the first node of least cost.
func (c *partClass) peak() int {
	p := c.lo
	for j := c.lo; j <= c.hi; j++ {
		if c.at(j) < c.at(p) {
			p = j
		}
	}
	return p
}

// pairCosts is W: row 0 is the start and row j+1 node j; column m is the end.
func (pt *part) pairCosts() []value {
	m := len(pt.nodes)
	cols := m + 1
	w := make([]value, (m+1)*cols)
	for i := range pt.classes {
		c := &pt.classes[i]
		p := c.peak()
		missed := value{missed: c.count}
		serve := func(j int) value {
			if v := c.cost[j-c.lo]; v != none {
				return value{money: v}
			}
			return missed
		}
		// lay adds the costs of the class against all b > p, beside a left
		// neighbour that serves it at cost base, to the rows from first up to
		// but not including past, as differences along and down.
		lay := func(base value, first, past int) {
			on := w[first*cols : (first+1)*cols]
			var off []value
			if past <= m {
				off = w[past*cols : (past+1)*cols]
			}
			prev := value{}
			for b := p + 1; b <= c.hi+1; b++ {
				cur := base
				if b <= c.hi {
					if v := serve(b); v.less(base) {
						cur = v
					}
				}
				if cur == prev {
					continue
				}
				d := value{cur.missed - prev.missed, cur.money - prev.money}
				on[b] = on[b].plus(d)
				if off != nil {
					off[b] = value{off[b].missed - d.missed, off[b].money - d.money}
				}
				prev = cur
			}
		}
		// Up to the first node of the window the left neighbour serves nothing.
		lay(missed, 0, c.lo+1)
		for a := c.lo; a <= p; a++ {
			lay(serve(a), a+1, a+2)
		}
	}
	integrate(w, m)
	return w
}

// integrate turns second differences into values: along the rows, then down.
func integrate(w []value, m int) {
	cols := m + 1
	for row := 0; row <= m; row++ {
		line := w[row*cols : (row+1)*cols]
		for col := 1; col <= m; col++ {
			line[col] = line[col].plus(line[col-1])
		}
	}
	for row := 1; row <= m; row++ {
		for col := 0; col <= m; col++ {
			w[row*cols+col] = w[row*cols+col].plus(w[(row-1)*cols+col])
		}
	}
}

// chain is the recursion of one part.
type chain struct {
	m     int     // nodes
	w     []value // see pairCosts
	open  []value
	takes []int // free slots that a node takes
	reach []int // the last node that may follow a row: the next fixed one, or m
	best  [][]value
}

// solveChain returns the best set for every number of free slots from 0.
func (pt *part) solveChain(free int) []answer {
	m := len(pt.nodes)
	c := &chain{m: m, w: pt.pairCosts(), open: make([]value, m), takes: make([]int, m), reach: make([]int, m+1)}
	next := m
	for row := m; row >= 0; row-- {
		c.reach[row] = next
		if row > 0 {
			money, takes := pt.open(row - 1)
			c.open[row-1].money = money
			if takes {
				c.takes[row-1] = 1
			} else {
				next = row - 1
			}
		}
	}
	c.best = make([][]value, free+1)
	out := make([]answer, free+1)
	for t := range out {
		c.fill(t)
		out[t] = answer{value: c.best[t][0], bound: c.best[t][0], exact: true, tied: true, chosen: c.trace(t)}
	}
	return out
}

// after is the value of going from a row to node j with t free slots.
func (c *chain) after(row, j, t int) value {
	return c.w[row*(c.m+1)+j].plus(c.open[j]).plus(c.best[t-c.takes[j]][j+1])
}

// fill computes the best completion of every row with t free slots, once that
// with fewer is known.
func (c *chain) fill(t int) {
	b := make([]value, c.m+1)
	c.best[t] = b
	for row := c.m; row >= 0; row-- {
		v := worst
		if c.reach[row] == c.m {
			v = c.w[row*(c.m+1)+c.m]
		}
		for j := row; j < c.m && j <= c.reach[row]; j++ {
			if c.takes[j] > t {
				continue
			}
			if u := c.after(row, j, t); u.less(v) {
				v = u
			}
		}
		b[row] = v
	}
}

// trace is the set that attains the best, the lowest node at each step.
func (c *chain) trace(t int) (chosen []int) {
	for row, left := 0, t; row <= c.m; {
		step := c.m
		for j := row; j < c.m && j <= c.reach[row]; j++ {
			if c.takes[j] <= left && c.after(row, j, left) == c.best[left][row] {
				step = j
				break
			}
		}
		if step == c.m {
			break
		}
		if c.takes[step] == 1 {
			chosen = append(chosen, step)
		}
		left -= c.takes[step]
		row = step + 1
	}
	return chosen
}
