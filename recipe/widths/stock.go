package widths

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"lapgate/recipe/quantity"
	"lapgate/recipe/table"
	"lapgate/recipe/wording"
)

// The columns of a table of the stock.
const (
	stockWidth = iota
	stockPaper
	stockRolls
	stockLength
)

func stockColumns() []table.Column {
	return []table.Column{
		stockWidth:  {Name: "width", Dimension: quantity.Length, Required: true},
		stockPaper:  {Name: "paper"},
		stockRolls:  {Name: "rolls"},
		stockLength: {Name: "length", Dimension: quantity.Length},
	}
}

// ReadStock takes the wrappers to choose from out of a table of the stock, by
// the rules of recipe/table. A row without a paper is of any that the schedule
// allows, one without a number of rolls never runs out.
func (p *Plan) ReadStock(name string, in io.Reader) error {
	t := table.NewReader(name, in, stockColumns())
	m := &p.line.Materials
	papers := p.papersInUse()
	var list []Candidate
	for t.Next() {
		use := papers
		if paper := t.Text(stockPaper); paper != "" {
			k := paperIndex(m, paper)
			if k < 0 {
				t.Fail(stockPaper, unknown(paper, paperNames(m)))
			}
			use = []int{k}
		}
		c := Candidate{Stock: Unlimited}
		if n, ok := t.Whole(stockRolls, 0, maxCount); ok {
			c.Stock = n
		}
		c.Width, _ = t.Positive(stockWidth)
		c.Length, _ = t.Positive(stockLength)
		if t.Bad() {
			continue
		}
		for _, k := range use {
			c.Paper = k
			list = append(list, c)
		}
	}
	t.NeedRows("wrappers")
	if err := t.Err(); err != nil {
		return err
	}
	p.Problem.Candidates, p.choice = list, wording.Say("plan.choice.stock", "name", name)
	return nil
}

// Offer takes the wrappers to choose from out of a list such as "34 in, 42 in
// kraft": of each width any paper that the schedule allows, or the one named.
func (p *Plan) Offer(text string) error {
	var list []Candidate
	var problems []error
	for item := range strings.SplitSeq(text, ",") {
		width, papers, err := p.offered(strings.TrimSpace(item))
		if err != nil {
			problems = append(problems, err)
		}
		for _, k := range papers {
			list = append(list, Candidate{Wrapper: Wrapper{Width: width, Paper: k}, Stock: Unlimited})
		}
	}
	if len(problems) > 0 {
		return errors.Join(problems...)
	}
	p.Problem.Candidates, p.choice = list, wording.Say("plan.choice.given", "count", len(list))
	return nil
}

func (p *Plan) offered(item string) (width float64, papers []int, err error) {
	papers = p.papersInUse()
	width, err = quantity.Parse(item, quantity.Length)
	if i := strings.LastIndexByte(item, ' '); err != nil && i > 0 {
		if k := paperIndex(&p.line.Materials, item[i+1:]); k >= 0 {
			papers = []int{k}
			width, err = quantity.Parse(item[:i], quantity.Length)
		}
	}
	if err == nil && width <= 0 {
		err = fmt.Errorf("got %q, want more than zero", item)
	}
	return width, papers, err
}

// papersInUse are the papers that a specification of the schedule allows.
func (p *Plan) papersInUse() []int {
	used := make([]bool, len(p.Problem.Specs))
	for i := range p.lots {
		used[p.lots[i].spec] = true
	}
	var out []int
	for k := range p.line.Materials.Papers {
		for i := range used {
			if used[i] && slices.Contains(p.Problem.Specs[i].Papers, k) {
				out = append(out, k)
				break
			}
		}
	}
	return out
}

// maxGrid keeps a grid within what the exact method takes.
const maxGrid = MaxCandidates / 2

// OfferGrid takes as wrappers to choose from every multiple of the step, in
// metres, that some roll of the schedule would take, in each paper. A step of
// 0 is 1 in or 25 mm, by the units of the line; a step that gives too many is
// doubled until it does not.
func (p *Plan) OfferGrid(step float64) {
	papers := p.papersInUse()
	if step == 0 {
		step = 0.025
		if imperial(p.line.Unit(quantity.Length)) {
			step = 0.0254
		}
	}
	low, high := math.Inf(1), 0.0
	for i := range p.lots {
		if p.lots[i].never == (obstacle{}) {
			l, h := p.window(i)
			low, high = math.Min(low, l), math.Max(high, h)
		}
	}
	for high >= low && (high-low)/step > float64(maxGrid/max(1, len(papers))) {
		step *= 2
	}
	var list []Candidate
	for k := math.Ceil(low/step - 1e-6); k*step <= high+1e-9; k++ {
		for _, paper := range papers {
			list = append(list, Candidate{Wrapper: Wrapper{Width: round12(k * step), Paper: paper}, Stock: Unlimited})
		}
	}
	p.Problem.Candidates, p.choice = list, wording.Say("plan.choice.grid", "width", p.length(step))
}

// round12 takes the rounding of a product away, so that 50 × 0.0254 m is the
// same width as 50 in.
func round12(v float64) float64 {
	w, err := strconv.ParseFloat(strconv.FormatFloat(v, 'f', 12, 64), 64)
	if err != nil {
		return v
	}
	return w
}

func imperial(unit string) bool { return unit == "in" || unit == "ft" || unit == "yd" }
