package report

import (
	"encoding/xml"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"lapgate/recipe/widths"
)

// elements reads an SVG document and counts its elements.
func elements(t *testing.T, svg string) map[string]int {
	t.Helper()
	count := map[string]int{}
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			return count
		}
		if err != nil {
			t.Fatalf("not well formed: %v", err)
		}
		if e, ok := tok.(xml.StartElement); ok {
			count[e.Name.Local]++
			for _, a := range e.Attr {
				if strings.Contains(a.Value, "NaN") || strings.Contains(a.Value, "Inf") {
					t.Errorf("%s %s=%q", e.Name.Local, a.Name.Local, a.Value)
				}
			}
		}
	}
}

const inch = 0.0254

func emptyStand(n int) []widths.Hung {
	s := make([]widths.Hung, n)
	for i := range s {
		s[i].Empty = true
	}
	return s
}

// shiftOf is a schedule of so many rolls of so many widths.
func shiftOf(rolls, list, candidates, slots int) *widths.Problem {
	rng := rand.New(rand.NewPCG(7, uint64(rolls)))
	p := &widths.Problem{
		Specs: []widths.Spec{{Papers: []int{0}, Optimum: 5 * inch, Min: 3 * inch, Max: 7 * inch}}, Prices: []float64{0.4},
		Centring: 0.01, OverhangCost: 30, Changeover: 20, Stand: emptyStand(slots), Rolls: make([]widths.Roll, rolls),
	}
	for i := range p.Rolls {
		d := 0.6 + 0.9*rng.Float64()
		width := (20 + 60*float64(rng.IntN(list))/float64(list)) * inch
		p.Rolls[i] = widths.Roll{Width: width, Count: 1, Feed: 3*math.Pi*d + 0.15, High: d/2 - 0.0635}
	}
	for i := range candidates {
		p.Candidates = append(p.Candidates, widths.Candidate{Wrapper: widths.Wrapper{Width: (28 + 64*float64(i)/float64(candidates)) * inch}, Stock: widths.Unlimited})
	}
	return p
}

func solved(t *testing.T, p *widths.Problem) *widths.Result {
	t.Helper()
	r, err := widths.Solve(p)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func numbered(p *widths.Problem) []int {
	out := make([]int, len(p.Stand))
	for i := range out {
		out[i] = i + 1
	}
	return out
}

func TestWidths(t *testing.T) {
	p := shiftOf(60, 20, 30, 2)
	p.Rolls = append(p.Rolls, widths.Roll{Width: 9, Count: 1})
	r := solved(t, p)
	svg := Widths(nil, p, r, []int{4, 6}, "in")
	count := elements(t, svg)
	if count["script"] != 0 || count["svg"] != 1 {
		t.Errorf("elements %v", count)
	}
	crosses := strings.Count(svg, "l9 9m0 -9l-9 9")
	if want := int(r.Best.Missed + r.Best.Unservable); crosses != want || want == 0 {
		t.Errorf("%d crosses, want %d", crosses, want)
	}
	// One mark for each roll served and one for each legend entry.
	marks, used := strings.Count(svg, `fill-opacity="0.75"`), 0
	for _, s := range r.Slots {
		if s.Used {
			used++
		}
	}
	if want := int(r.Best.Served) + used; marks != want {
		t.Errorf("%d marks, want %d", marks, want)
	}
	for _, want := range []string{"overhang on each side, in", "row of the schedule", "slot 4:", "slot 6:", "stroke-dasharray", "#e3efe3"} {
		if !strings.Contains(svg, want) {
			t.Errorf("no %q", want)
		}
	}
	if svg != Widths(nil, p, r, []int{4, 6}, "in") {
		t.Error("two drawings of one result differ")
	}
}

func TestWidthsOddities(t *testing.T) {
	long := shiftOf(5000, 40, 60, 5)
	svg := Widths(nil, long, solved(t, long), numbered(long), "mm")
	if !strings.Contains(svg, "class of rolls") || len(svg) > 2_000_000 {
		t.Errorf("a long schedule gave %d bytes", len(svg))
	}
	elements(t, svg)
	none := &widths.Problem{Stand: emptyStand(1)}
	elements(t, Widths(nil, none, solved(t, none), numbered(none), "in"))
	lost := &widths.Problem{Specs: []widths.Spec{{Optimum: 0.1}}, Stand: emptyStand(1), Rolls: []widths.Roll{{Width: 1, Count: 1}}}
	svg = Widths(nil, lost, solved(t, lost), numbered(lost), `<"&>`)
	elements(t, svg)
	if !strings.Contains(svg, "overhang on each side, m<") {
		t.Error("an unknown unit does not count as metres")
	}
}

// Each slot has a sign of its own, also where nobody sees its colour.
func TestSignsOfSlots(t *testing.T) {
	seen := map[string]int{}
	for slot := range widths.MaxSlots {
		var b strings.Builder
		mark(&b, 10, 10, 3, slot)
		sign := strings.ReplaceAll(b.String(), slotColours[slot], "colour")
		if other, ok := seen[sign]; ok {
			t.Errorf("slots %d and %d have the same sign", other+1, slot+1)
		}
		seen[sign] = slot
	}
}
