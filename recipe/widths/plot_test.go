package widths

import (
	"encoding/xml"
	"errors"
	"io"
	"math"
	"strings"
	"testing"
)

// parse reads an SVG document and counts its elements.
func parse(t *testing.T, svg string) map[string]int {
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

func TestPlot(t *testing.T) {
	p := shift(60, 20, 30, 2)
	p.Rolls = append(p.Rolls, Roll{Width: 9, Count: 1})
	r := solve(t, p)
	svg := Plot(p, r, Unit{"in", inch})
	count := parse(t, svg)
	if count["script"] != 0 || count["svg"] != 1 {
		t.Errorf("elements %v", count)
	}
	crosses := strings.Count(svg, "l9 9m0 -9l-9 9")
	if want := int(r.Best.Missed + r.Best.Unservable); crosses != want || want == 0 {
		t.Errorf("%d crosses, want %d", crosses, want)
	}
	// One mark for each roll served and one for each legend entry.
	marks := strings.Count(svg, `fill-opacity="0.75"`)
	used := 0
	for _, s := range r.Slots {
		if s.Used {
			used++
		}
	}
	if want := int(r.Best.Served) + used; marks != want {
		t.Errorf("%d marks, want %d", marks, want)
	}
	for _, want := range []string{"overhang on each side, in", "row of the schedule", "slot 1:", "stroke-dasharray", "#e3efe3"} {
		if !strings.Contains(svg, want) {
			t.Errorf("no %q", want)
		}
	}
	if svg != Plot(p, r, Unit{"in", inch}) {
		t.Error("two plots of one result differ")
	}
}

func TestPlotOddities(t *testing.T) {
	long := shift(5000, 40, 60, 5)
	svg := Plot(long, solve(t, long), Unit{"mm", 0.001})
	if !strings.Contains(svg, "class of rolls") || len(svg) > 2_000_000 {
		t.Errorf("a long schedule gave %d bytes", len(svg))
	}
	parse(t, svg)
	none := &Problem{Stand: empty(1)}
	parse(t, Plot(none, solve(t, none), Unit{}))
	lost := &Problem{Specs: []Spec{{Optimum: 0.1}}, Stand: empty(1), Rolls: []Roll{{Width: 1, Count: 1}}}
	svg = Plot(lost, solve(t, lost), Unit{`<"&>`, math.NaN()})
	parse(t, svg)
	svg = Plot(lost, solve(t, lost), Unit{`<"&>`, 1})
	parse(t, svg)
	if !strings.Contains(svg, "&lt;&quot;&amp;&gt;") {
		t.Error("the name of the unit is not escaped")
	}
}
