package notice

import "iter"

// Design of the cumulative sums, in standard uncertainties. A sum grows by what
// a reading differs beyond the slack; a difference counts at most wild, so that
// no reading decides alone.
const (
	slack = 1.0 // half of the least shift that is looked for
	wild  = 3.0
	limit = 4.5 // three wild readings in a row, not two
	// Rolls of one slot may follow each other, and their wrapper must not be
	// taken for the scale.
	scaleLimit = 6.0
	// The scatter of a scanner's positions is taken from the roll itself, so a
	// large one is likelier than it would be with a scatter known beforehand.
	scannerLimit = 10.0
)

// side is one direction of a cumulative sum.
type side struct {
	sum   float64
	found bool   // the sum was over its limit and has not been zero since
	first uint32 // roll with which the sum began to grow
	last  uint32 // newest roll that was taken
	n     int    // rolls since first
	total float64
}

// change is what a reading did to a finding.
type change uint8

const (
	none change = iota
	begun
	ended
)

// take adds a step, and the difference in its own unit for the evidence.
func (s *side) take(roll uint32, step, difference, limit float64) change {
	if s.sum == 0 {
		s.first, s.n, s.total = roll, 0, 0
	}
	s.last = roll
	s.n++
	s.total += difference
	// Above its limit the sum tells nothing more, and would only make a finding
	// last when its cause is gone.
	s.sum = min(max(s.sum+step, 0), limit)
	switch {
	case !s.found && s.sum >= limit:
		s.found = true
		return begun
	case s.found && s.sum == 0:
		s.found = false
		return ended
	}
	return none
}

// mean difference of the rolls since first.
func (s *side) mean() float64 { return s.total / float64(s.n) }

// pair is a cumulative sum in both directions.
type pair struct{ up, down side }

// take compares a difference with its uncertainty. A standing error up to
// allowed is none.
func (p *pair) take(roll uint32, difference, u, allowed, limit float64) (up, down change) {
	z, a := difference/u, allowed/u
	up = p.up.take(roll, min(z-a, wild)-slack, difference, limit)
	down = p.down.take(roll, min(-z-a, wild)-slack, difference, limit)
	return up, down
}

// sides are the directions in which a finding changed.
func sides(up, down change, p *pair) iter.Seq2[change, *side] {
	return func(yield func(change, *side) bool) {
		if up != none && !yield(up, &p.up) {
			return
		}
		if down != none {
			yield(down, &p.down)
		}
	}
}
