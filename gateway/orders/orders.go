// Package orders reads the orders that the mill's system leaves in a folder,
// as tables in CSV. See recipe/table for the rules of a table.
package orders

import (
	"fmt"
	"io"
	"strings"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/table"
)

// Orders are the orders in force, by the tag of their roll. They never change;
// a folder that changed gives others.
type Orders struct {
	byRoll map[string]recipe.Order
}

// Find returns the order of a roll, by its tag.
func (o *Orders) Find(tag string) (recipe.Order, bool) {
	x, ok := o.byRoll[tag]
	return x, ok
}

// Len is the number of orders.
func (o *Orders) Len() int { return len(o.byRoll) }

// The columns of a table of orders.
const (
	roll = iota
	order
	grade
	density
	width
	diameter
	spec
	destination
)

func columns() []table.Column {
	return []table.Column{
		roll:        {Name: "roll", Required: true, Unique: true},
		order:       {Name: "order"},
		grade:       {Name: "grade"},
		density:     {Name: "density", Dimension: quantity.Density},
		width:       {Name: "width", Dimension: quantity.Length},
		diameter:    {Name: "diameter", Dimension: quantity.Length},
		spec:        {Name: "spec"},
		destination: {Name: "destination"},
	}
}

// gathering is the orders of several tables.
type gathering struct {
	materials *recipe.Materials
	orders    map[string]recipe.Order
	places    map[string]string // where each was found
}

func newGathering(m *recipe.Materials) *gathering {
	return &gathering{m, map[string]recipe.Order{}, map[string]string{}}
}

func (g *gathering) read(name string, in io.Reader) error {
	t := table.NewReader(name, in, columns())
	for t.Next() {
		o := recipe.Order{
			ID: strings.Clone(t.Text(order)), Spec: strings.Clone(t.Text(spec)), Destination: strings.Clone(t.Text(destination)),
		}
		o.Density, _ = t.Positive(density)
		o.Width, _ = t.Positive(width)
		o.Diameter, _ = t.Positive(diameter)
		var err error
		if o.Grade, err = g.materials.GradeCode(t.Text(grade)); err != nil {
			t.Fail(grade, table.Problem{Text: err.Error()})
		}
		if t.Bad() {
			continue
		}
		tag := strings.Clone(t.Text(roll))
		if first, ok := g.places[tag]; ok {
			t.Fail(roll, table.Problem{Text: fmt.Sprintf("%s stands at %s too", clip(tag), first), Remedy: "leave one of them out"})
			continue
		}
		g.orders[tag], g.places[tag] = o, fmt.Sprintf("%s:%d", name, t.Line())
	}
	return t.Err()
}
