package handbook

import (
	_ "embed" // for the style
	"fmt"
	"html"
	"slices"
	"strings"
)

// station is a part of the line in the drawing.
type station struct {
	name  string
	about []string // what of a recipe belongs to it
	draw  func(d *drawing, x, floor float64)
}

func stations() []station {
	return []station{
		{"Scan", []string{"diameter, width,", "how round, how even"}, (*drawing).scan},
		{"Wrap", []string{"which wrapper, how much,", "how fast"}, (*drawing).wrap},
		{"Crimp", []string{"turns, speed,", "position, pressure"}, (*drawing).crimp},
		{"Heads, press", []string{"sizes, heat,", "dwell"}, (*drawing).press},
		{"Scale", []string{"gross, against what", "the recipe predicts"}, (*drawing).scale},
	}
}

// message goes between the controller and lapgate.
type message struct {
	number int
	up     bool // to the controller
	name   string
	about  []string
}

func messages() []message {
	return []message{
		{1, false, "request", []string{"the roll as scanned,", "the stand as it is"}},
		{4, true, "offer", []string{"the recipe, or a hold", "with its reason"}},
		{5, false, "verdict", []string{"accepted, held", "or rejected"}},
		{6, false, "outcome", []string{"as used,", "as weighed"}},
		{8, true, "receipt", []string{"the journal has it,", "it may be forgotten"}},
	}
}

const (
	viewTitle = "The line, and the way of the data of one roll"
	// LineWords are the drawing in words, for whoever cannot see it.
	LineWords = "A roll goes from the scan below the overhead wrapper stand to the crimpers, to the press that puts the heads on, and to the scale. " +
		"The line controller moves all of it and judges every offer. Below it stands lapgate. 1, the request of the controller says what was scanned and what hangs; " +
		"2, lapgate computes the recipe and checks it; 3, the journal holds it before it goes on the wire; 4, it is offered to the controller, or the roll is held with the reason; " +
		"5, the controller answers with its verdict; 6, the outcome says what was used and weighed; 7, it goes into the journal; 8, only then it is acknowledged. " +
		"Orders and a scanner may add to a roll. People read the live page and act by name. Reports, replay and other systems read the journal."
)

const controllerName = "Line controller"

var (
	controllerAbout = []string{"moves the line, and judges each offer", "by limits of its own."}
	safetyAbout     = []string{"Guards, stops and trips are safety hardware,", "and work without either."}
)

// other is who stands beside lapgate besides the controller.
type other struct {
	name, about  string
	tells, reads bool
}

func others() []other {
	return []other{
		{"orders, a scanner", "a folder of tables, text on TCP", true, false},
		{"people", "look at the live page, act by name", true, true},
		{"afterwards", "why, report, replay, compare, MQTT", false, true},
	}
}

// viewStyle has the colours of the drawing, once more for dark and for print. What is
// drawn in the colour of need is hot.
//
//go:embed line.css
var viewStyle string

// drawing is a drawing while it is made.
type drawing struct{ strings.Builder }

func (d *drawing) put(format string, args ...any) { fmt.Fprintf(d, format+"\n", args...) }

func (d *drawing) circle(class string, x, y, r float64) {
	d.put(`<circle class="%s" cx="%g" cy="%g" r="%g"/>`, class, x, y, r)
}

func (d *drawing) rect(class string, x, y, w, h, round float64) {
	d.put(`<rect class="%s" x="%g" y="%g" width="%g" height="%g" rx="%g"/>`, class, x, y, w, h, round)
}

func (d *drawing) path(class, format string, args ...any) {
	d.put(`<path class="%s" d="%s"/>`, class, fmt.Sprintf(format, args...))
}

// text writes lines below each other.
func (d *drawing) text(class string, x, y float64, lines ...string) {
	for i, line := range lines {
		d.put(`<text class="%s" x="%g" y="%g">%s</text>`, class, x, y+18*float64(i), html.EscapeString(line))
	}
}

// arrow goes straight up, down or to the right.
func (d *drawing) arrow(x, y, toX, toY float64) {
	const tip = 9
	switch {
	case toY > y:
		d.path("way", "M%g %gV%g", x, y, toY-tip)
		d.path("tip", "M%g %gl-5.5 -10h11z", x, toY)
	case toY < y:
		d.path("way", "M%g %gV%g", x, y, toY+tip)
		d.path("tip", "M%g %gl-5.5 10h11z", x, toY)
	default:
		d.path("way", "M%g %gH%g", x, y, toX-tip)
		d.path("tip", "M%g %gl-10 -5.5v11z", toX, y)
	}
}

func (d *drawing) numbered(x, y float64, n int) {
	d.circle("disc", x, y, 11)
	d.text("number", x, y+5, fmt.Sprint(n))
}

// cradle is what a roll lies on: two turning rolls on the floor.
func (d *drawing) cradle(x, floor float64) {
	for _, dx := range []float64{-26, 26} {
		d.circle("steel", x+dx, floor-11, 11)
	}
}

// lies is how high above the floor the centre of a roll in its cradle is.
const lies, rollRadius = 60, 44

func (d *drawing) scan(x, floor float64) {
	d.cradle(x, floor)
	y := floor - lies
	d.circle("paper", x, y, rollRadius)
	for _, r := range []float64{34, 24} {
		d.circle("rule", x, y, r)
	}
	d.circle("core", x, y, 10)
	d.rect("steel", x-14, y-92, 28, 12, 3)
	d.path("beam", "M%g %gV%gM%g %gL%g %gM%g %gL%g %g", x, y-78, y-46, x-8, y-78, x-38, y-26, x+8, y-78, x+38, y-26)
}

func (d *drawing) wrap(x, floor float64) {
	d.cradle(x, floor)
	y := floor - lies
	d.rect("steel", x-74, y-116, 148, 5, 2)
	for i := range 6 {
		at := x - 62 + 25*float64(i)
		d.circle("kraft", at, y-97, 10-0.7*float64((i*2)%5))
		d.circle("core", at, y-97, 2.5)
	}
	d.circle("paper", x, y, rollRadius)
	d.circle("core", x, y, 10)
	d.path("sheet", "M%g %gV%gA%g %g 0 1 1 %g %g", x+46, y-88, y, 46.0, 46.0, x, y-46)
}

// sideways is a wrapped roll from the side.
func (d *drawing) sideways(x, floor, wide float64) (top, high float64) {
	const tall = 2 * rollRadius
	top = floor - 16 - tall
	d.circle("steel", x-wide/4, floor-8, 8)
	d.circle("steel", x+wide/4, floor-8, 8)
	d.rect("kraft", x-wide/2, top, wide, tall, 2)
	return top, tall
}

func (d *drawing) crimp(x, floor float64) {
	const wide = 96
	top, high := d.sideways(x, floor, wide)
	for _, side := range []float64{-1, 1} {
		end := x + side*wide/2
		// The overhang, half folded.
		d.path("kraft", "M%g %gl%g 13V%gl%g 13z", end, top, side*20, top+high-13, -side*20)
		for i := 1; i < 6; i++ {
			at := top + high*float64(i)/6
			d.path("pleat", "M%g %gL%g %g", end, at, end+side*20, top+high/2+(at-top-high/2)*0.7)
		}
		d.circle("steel", end+side*19, top-2, 9)
		d.circle("steel", end+side*19, top+high+2, 9)
	}
}

func (d *drawing) press(x, floor float64) {
	const wide = 92
	top, high := d.sideways(x, floor, wide)
	for _, side := range []float64{-1, 1} {
		end := x + side*wide/2
		d.rect("paper", end-2.5+side*2.5, top+3, 5, high-6, 1)
		d.rect("hot", end-5+side*12, top-4, 10, high+8, 2)
		d.rect("steel", end-11+side*28, top+high/2-8, 22, 16, 2)
	}
}

func (d *drawing) scale(x, floor float64) {
	d.rect("steel", x-56, floor-14, 112, 7, 2)
	d.rect("steel", x-44, floor-7, 88, 7, 1)
	y := floor - 16 - rollRadius
	d.circle("kraft", x, y, rollRadius)
	d.circle("paper", x, y, rollRadius-7)
	d.circle("core", x, y, 10)
	d.path("rule", "M%g %gV%g", x+66, floor-7, floor-74)
	d.rect("box", x+46, floor-102, 40, 28, 3)
	d.text("unit", x+66, floor-82, "kg")
}

// begun begins a drawing of a size; class tells apart the forms in a page.
func begun(class string, wide, high float64) *drawing {
	d := &drawing{}
	d.put(`<svg xmlns="http://www.w3.org/2000/svg" class="lineview %s" viewBox="0 0 %g %g" width="%g" height="%g" role="img" aria-label="%s">`, class, wide, high, wide, high, viewTitle)
	d.put("<title>%s</title>\n<desc>%s</desc>\n<style>%s</style>", viewTitle, html.EscapeString(LineWords), viewStyle)
	d.rect("ground", 0, 0, wide, high, 10)
	return d
}

func (d *drawing) ended() string {
	d.WriteString("</svg>\n")
	return d.String()
}

// LineView draws the line and the way of the data of one roll, 960 wide.
func LineView() string {
	const wide, high, pitch, floor = 960, 716, 184, 256
	const controller, gateway, below = 276, 448, 598
	d := begun("wide", wide, high)
	d.path("rule", "M20 %dH940", floor)
	d.rect("panel", 20, controller, 920, 62, 8)
	d.text("name", 38, controller+27, controllerName)
	d.text("", 176, controller+27, strings.Join(controllerAbout, " "))
	d.text("", 38, controller+48, strings.Join(safetyAbout, " "))
	for i, s := range stations() {
		x := 112 + pitch*float64(i)
		d.text("name mid", x, 30, s.name)
		d.text("mid", x, 50, s.about...)
		s.draw(d, x, floor)
		d.path("rule", "M%g %dV%d", x, floor, controller)
		if i > 0 {
			d.path("rule", "M%g %dl7 6l-7 6", x-pitch/2-3, floor-14)
		}
	}
	for i, m := range messages() {
		x := 52 + pitch*float64(i)
		d.between(x, controller+66, gateway-4, m.up)
		const mid = (controller + 62 + gateway) / 2
		d.numbered(x, mid, m.number)
		d.text("name", x+20, mid-12, m.name)
		d.text("", x+20, mid+7, m.about...)
	}
	d.rect("panel", 20, gateway, 920, below-gateway, 8)
	d.text("name", 38, gateway+27, "lapgate")
	d.decides(36, gateway+42, 330)
	d.arrow(368, gateway+88, 412, gateway+88)
	d.keeps(414, gateway+42, 510)
	for i, o := range others() {
		x := 174 + 306*float64(i)
		for _, way := range o.ways(x) {
			d.between(way.x, below+4, below+46, way.up)
		}
		d.text("name mid", x, below+68, o.name)
		d.text("mid", x, below+88, o.about)
	}
	return d.ended()
}

// LineViewNarrow draws the same for a phone, 400 wide.
func LineViewNarrow() string {
	const wide, high, scaled = 400, 1484, 0.75
	d := begun("narrow", wide, high)
	y := 14.0
	for i, s := range stations() {
		y += []float64{122, 146, 104, 104, 104}[i]
		d.put(`<g transform="translate(84 %g) scale(%g)">`, y, scaled)
		s.draw(d, 0, 0)
		d.put("</g>")
		d.path("rule", "M20 %gH380", y)
		d.text("name", 172, y-58, s.name)
		d.text("", 172, y-37, s.about...)
	}
	y += 18
	d.rect("panel", 16, y, 368, 118, 8)
	d.text("name", 32, y+28, controllerName)
	d.text("", 32, y+50, append(slices.Clone(controllerAbout), safetyAbout...)...)
	y += 118
	for _, m := range messages() {
		d.between(32, y+6, y+54, m.up)
		d.numbered(58, y+20, m.number)
		d.text("name", 78, y+25, m.name)
		d.text("", 78, y+44, strings.Join(m.about, " "))
		y += 58
	}
	d.rect("panel", 16, y+2, 368, 262, 8)
	d.text("name", 32, y+28, "lapgate")
	d.decides(28, y+40, 344)
	d.between(200, y+134, y+156, false)
	d.keeps(28, y+158, 344)
	y += 264
	for _, o := range others() {
		for _, way := range o.ways(40) {
			d.between(way.x, y+8, y+50, way.up)
		}
		d.text("name", 78, y+26, o.name)
		d.text("", 78, y+45, o.about)
		y += 58
	}
	return d.ended()
}

// between goes from the upper to the lower of two heights, or up.
func (d *drawing) between(x, upper, lower float64, up bool) {
	if up {
		upper, lower = lower, upper
	}
	d.arrow(x, upper, x, lower)
}

// decides is the box of what is computed, keeps that of what is written down.
func (d *drawing) decides(x, y, wide float64) {
	d.rect("box", x, y, wide, 92, 6)
	d.numbered(x+24, y+26, 2)
	d.text("name", x+44, y+32, "recipe and checks")
	d.text("", x+44, y+54, "each setpoint with its uncertainty,", "inside interlocked limits, or a hold")
}

func (d *drawing) keeps(x, y, wide float64) {
	d.rect("box", x, y, wide, 92, 6)
	d.numbered(x+24, y+26, 3)
	d.numbered(x+50, y+26, 7)
	d.text("name", x+70, y+32, "journal")
	d.text("", x+44, y+54, "on disk before an offer goes on the wire,", "and before an outcome is acknowledged")
}

// way is an arrow below lapgate.
type way struct {
	x  float64
	up bool
}

// ways are the arrows of one who is beside the controller.
func (o other) ways(x float64) []way {
	switch {
	case o.reads && o.tells:
		return []way{{x - 9, true}, {x + 9, false}}
	case o.tells:
		return []way{{x, true}}
	}
	return []way{{x, false}}
}
