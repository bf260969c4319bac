package virtual

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"time"
)

// step is one disturbance: what, when, for how long, and which of several.
type step struct {
	At   span   `json:"at"`
	What string `json:"what"`
	N    int    `json:"n,omitempty"`
	For  span   `json:"for,omitempty"`
}

// plan is all that a run depends on.
type plan struct {
	Seed   uint64 `json:"seed"`
	Length span   `json:"length"`
	Steps  []step `json:"steps"`
}

// span is a duration that a trace spells as people do.
type span time.Duration

func (s span) MarshalText() ([]byte, error) { return []byte(time.Duration(s).String()), nil }

func (s *span) UnmarshalText(b []byte) error {
	d, err := time.ParseDuration(string(b))
	*s = span(d)
	return err
}

// trace is the text of a plan: the head, and a line for each step.
func (p *plan) trace() ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	if err := e.Encode(plan{Seed: p.Seed, Length: p.Length}); err != nil {
		return nil, err
	}
	for _, s := range p.Steps {
		if err := e.Encode(s); err != nil {
			return nil, err
		}
	}
	return b.Bytes(), nil
}

func parseTrace(text []byte) (*plan, error) {
	p := &plan{}
	d := json.NewDecoder(bytes.NewReader(text))
	if err := d.Decode(p); err != nil {
		return nil, fmt.Errorf("head of the trace: %w", err)
	}
	for d.More() {
		var s step
		if err := d.Decode(&s); err != nil {
			return nil, fmt.Errorf("step %d of the trace: %w", len(p.Steps)+1, err)
		}
		if _, ok := disturbances[s.What]; !ok {
			return nil, fmt.Errorf("step %d of the trace: %q is not known", len(p.Steps)+1, s.What)
		}
		p.Steps = append(p.Steps, s)
	}
	return p, nil
}

// disturbance is how often a kind comes, of all, and how long it lasts.
type disturbance struct {
	share     int
	low, high time.Duration
	n         int // kinds of it
	do        func(*world, *step)
}

// most is the longest pause between two disturbances; the mean is half of it.
const most = 6 * time.Minute

// draw lays down the disturbances of a seed.
func draw(seed uint64, length time.Duration) *plan {
	r := rand.New(rand.NewPCG(seed, 41))
	var names []string
	total := 0
	for name, d := range disturbances {
		names = append(names, name)
		total += d.share
	}
	slices.SortFunc(names, strings.Compare)
	p := &plan{Seed: seed, Length: span(length)}
	for at := time.Minute; ; {
		at += time.Duration(r.Int64N(int64(most))).Round(time.Millisecond)
		if at >= length {
			break
		}
		k := r.IntN(total)
		for _, name := range names {
			d := disturbances[name]
			if k -= d.share; k >= 0 {
				continue
			}
			s := step{At: span(at), What: name, N: r.IntN(max(d.n, 1))}
			if d.high > 0 {
				s.For = span((d.low + time.Duration(r.Int64N(int64(d.high-d.low)))).Round(time.Millisecond))
			}
			p.Steps = append(p.Steps, s)
			break
		}
	}
	return p
}

// shrink cuts a plan down as long as it fails in the same way, in at most so many
// tries: first its end, then its steps.
func shrink(p *plan, tries int, fails func(*plan) bool) *plan {
	try := func(q *plan) bool {
		if tries == 0 {
			return false
		}
		tries--
		if !fails(q) {
			return false
		}
		p = q
		return true
	}
	for half := p.Length / 2; half > span(10*time.Minute); half = p.Length / 2 {
		at, _ := slices.BinarySearchFunc(p.Steps, half, func(s step, t span) int { return cmp.Compare(s.At, t) })
		if !try(&plan{p.Seed, half, slices.Clone(p.Steps[:at])}) {
			break
		}
	}
	for size := len(p.Steps) / 2; size > 0 && tries > 0; {
		cut := false
		for from := 0; from < len(p.Steps); {
			to := min(from+size, len(p.Steps))
			if try(&plan{p.Seed, p.Length, slices.Concat(p.Steps[:from], p.Steps[to:])}) {
				cut = true
				continue
			}
			from = to
		}
		if !cut || size > len(p.Steps) {
			size = min(size/2, len(p.Steps)/2)
		}
	}
	return p
}
