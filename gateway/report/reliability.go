package report

import (
	"fmt"
	"html"
	"math"
	"slices"
	"strings"

	"lapgate/recipe"
)

// Reliability gathers how often what was stated with a chance came about, by
// kind of bad wrap. A statement is reliable when of the rolls that it gave a
// chance of 1 % one in a hundred was judged bad. The zero value is ready.
type Reliability struct {
	kinds [recipe.RiskKinds][]bin
}

// bin counts the rolls whose stated chance lies in one class.
type bin struct {
	n, bad int
	sum    float64 // of the stated chances
}

// classes are the upper ends of the classes of stated chance, which do not
// belong to them but for the last.
var classes = [...]float64{1e-5, 1e-4, 1e-3, 3e-3, 1e-2, 2e-2, 5e-2, 0.1, 0.2, 0.5, 1}

// Add takes one roll: the chance that was stated for it, and whether it was
// judged bad in this way. A chance that is none is not taken.
func (r *Reliability) Add(kind recipe.RiskKind, chance float64, bad bool) {
	if !(chance >= 0 && chance <= 1) || kind >= recipe.RiskKinds {
		return
	}
	if r.kinds[kind] == nil {
		r.kinds[kind] = make([]bin, len(classes))
	}
	i := 0
	for i < len(classes)-1 && chance >= classes[i] {
		i++
	}
	b := &r.kinds[kind][i]
	b.n++
	b.sum += chance
	if bad {
		b.bad++
	}
}

// Reliable is one point of a curve.
type Reliable struct {
	Kind   string  `json:"kind"`
	Rolls  int     `json:"rolls"`
	Bad    int     `json:"bad" label:"judged bad"`
	Stated float64 `json:"stated" label:"stated chance"` // mean over the rolls
	Share  float64 `json:"share" label:"judged share"`
	Least  float64 `json:"least"` // of the chances with which the share agrees, 95 %
	Most   float64 `json:"most"`
	Off    bool    `json:"off"` // the stated chance is outside of them
}

// Curves are the points of all kinds, each in the order of the stated chance.
func (r *Reliability) Curves() []Reliable {
	out := []Reliable{}
	for k := range r.kinds {
		out = append(out, r.curve(recipe.RiskKind(k))...)
	}
	return out
}

func (r *Reliability) curve(kind recipe.RiskKind) []Reliable {
	var out []Reliable
	for _, b := range r.kinds[kind] {
		if b.n == 0 {
			continue
		}
		p := Reliable{Kind: kind.String(), Rolls: b.n, Bad: b.bad, Stated: b.sum / float64(b.n), Share: float64(b.bad) / float64(b.n)}
		p.Least, p.Most = wilson(b.bad, b.n)
		p.Off = p.Stated < p.Least || p.Stated > p.Most
		out = append(out, p)
	}
	return out
}

// wilson is the interval of chances with which k in n agrees at 95 % (Wilson
// 1927): it is right also where none or all are.
func wilson(k, n int) (least, most float64) {
	const z = 1.959964
	p, m := float64(k)/float64(n), float64(n)
	middle := (p + z*z/(2*m)) / (1 + z*z/m)
	half := z / (1 + z*z/m) * math.Sqrt(p*(1-p)/m+z*z/(4*m*m))
	least, most = math.Max(0, middle-half), math.Min(1, middle+half)
	if k == 0 {
		least = 0
	}
	if k == n {
		most = 1
	}
	return least, most
}

// Sizes of the drawing in pixels, and the least chance that is drawn: what is
// less stands at the edge.
const (
	reliabilitySide   = 300
	reliabilityAcross = 2
	leastDrawn        = 1e-6
)

// Drawing draws stated chance against judged share, both logarithmic, with a
// panel for each kind, as an SVG. On the diagonal both are equal; above it more
// rolls were bad than was stated. A bar is what the count of rolls leaves open.
func (r *Reliability) Drawing(title string) string {
	var kinds []recipe.RiskKind
	for k := range r.kinds {
		if r.kinds[k] != nil {
			kinds = append(kinds, recipe.RiskKind(k))
		}
	}
	const head, wide = 34, panelLeft + reliabilitySide + panelRight
	const high = panelTop + reliabilitySide + panelBottom
	rows := max(1, (len(kinds)+reliabilityAcross-1)/reliabilityAcross)
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" width="%d" height="%d" viewBox="0 0 %[1]d %[2]d" role="img">`+"\n", wide*reliabilityAcross, head+high*rows)
	fmt.Fprintf(&b, "<title>%s</title>\n<style>%s</style>\n", html.EscapeString(title), chartStyle)
	fmt.Fprintf(&b, `<rect width="%d" height="%d" fill="#fff"/>`+"\n", wide*reliabilityAcross, head+high*rows)
	fmt.Fprintf(&b, `<text class="t" x="%d" y="22">%s</text>`+"\n", panelLeft, html.EscapeString(title))
	if len(kinds) == 0 {
		fmt.Fprintf(&b, `<text x="%d" y="%d">nothing to show</text>`+"\n", panelLeft, head+30)
	}
	for i, k := range kinds {
		fmt.Fprintf(&b, `<g transform="translate(%d %d)">`+"\n", wide*(i%reliabilityAcross), head+high*(i/reliabilityAcross))
		drawReliability(&b, k.Label(), r.curve(k))
		b.WriteString("</g>\n")
	}
	b.WriteString("</svg>\n")
	return b.String()
}

func drawReliability(b *strings.Builder, name string, points []Reliable) {
	low := math.Log10(leastDrawn)
	across := axis{low, 0, panelLeft, panelLeft + reliabilitySide}
	up := axis{low, 0, panelTop + reliabilitySide, panelTop}
	at := func(a axis, chance float64) float64 { return a.at(math.Log10(math.Max(chance, leastDrawn))) }
	rolls := 0
	for _, p := range points {
		rolls += p.Rolls
	}
	fmt.Fprintf(b, `<text x="%d" y="%d">%s, %d rolls</text>`+"\n", panelLeft, panelTop-10, html.EscapeString(name), rolls)
	for e := low; e <= 0; e++ {
		label := plain(math.Pow(10, e+2)) + " %"
		if e == low {
			label = "less"
		}
		fmt.Fprintf(b, `<line class="g" x1="%d" y1="%.1f" x2="%d" y2="%.1f"/><text x="%d" y="%.1f" text-anchor="end">%s</text>`+"\n",
			panelLeft, up.at(e), panelLeft+reliabilitySide, up.at(e), panelLeft-6, up.at(e)+4, label)
		fmt.Fprintf(b, `<line class="g" x1="%.1f" y1="%d" x2="%.1f" y2="%d"/><text x="%.1f" y="%d" text-anchor="middle">%s</text>`+"\n",
			across.at(e), panelTop, across.at(e), panelTop+reliabilitySide, across.at(e), panelTop+reliabilitySide+17, label)
	}
	fmt.Fprintf(b, `<text x="%d" y="%d" text-anchor="middle">stated chance; upright: share judged bad</text>`+"\n", panelLeft+reliabilitySide/2, panelTop+reliabilitySide+35)
	fmt.Fprintf(b, `<line class="z" x1="%d" y1="%d" x2="%d" y2="%d"/>`+"\n", panelLeft, panelTop+reliabilitySide, panelLeft+reliabilitySide, panelTop)
	fmt.Fprintf(b, `<path class="a" fill="none" d="M%d %dV%dH%d"/>`+"\n", panelLeft, panelTop, panelTop+reliabilitySide, panelLeft+reliabilitySide)
	slices.SortStableFunc(points, func(a, c Reliable) int {
		if a.Off == c.Off {
			return 0
		}
		if c.Off { // what is off lies on top
			return -1
		}
		return 1
	})
	for _, p := range points {
		dot, bar := "p", "r"
		if p.Off {
			dot, bar = "o", "x"
		}
		x := at(across, p.Stated)
		fmt.Fprintf(b, `<line class="%s" x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f"/>`+"\n", bar, x, at(up, p.Least), x, at(up, p.Most))
		fmt.Fprintf(b, `<circle class="%s" cx="%.1f" cy="%.1f" r="4"><title>%s</title></circle>`+"\n", dot, x, at(up, p.Share),
			html.EscapeString(fmt.Sprintf("stated %.3g %%, %d of %d judged bad", 100*p.Stated, p.Bad, p.Rolls)))
	}
}
