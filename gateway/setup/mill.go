package setup

import (
	"errors"
	"fmt"
	"net"
	"slices"
	"strconv"
	"strings"

	"lapgate/recipe/quantity"
)

// mill is what the answers tell. Quantities stand as they were written.
type mill struct {
	inch             bool
	name             string
	protocol         string
	address          string
	diameter, width  string // ranges
	slots            []slot
	heads            []head
	grades           []grade
	cores            []core
	wrapping, crimps string // speeds
	stations         map[string]string
	edges            []string // of the zones of vacuum
}

type slot struct{ width, paper string }

type head struct {
	name, method, temperature string
	sizes                     []string
}

type grade struct{ code, name, density, head string }

type core struct{ code, name, diameter string }

// Check tells what is wrong with one answer, by itself.
func Check(question, answer string) error {
	var m mill
	return m.take(question, answer)
}

// take reads one answer. The error names its question.
func (m *mill) take(question, answer string) error {
	read := map[string]func(string) error{
		unitsName: m.units, lineName: m.line, controllerName: m.controller, sizesName: m.sizes, hangingName: m.hanging,
		headsName: m.stock, gradesName: m.paperGrades, coresName: m.rollCores, speedsName: m.speeds, stationsName: m.equipment,
	}[question]
	if err := read(strings.TrimSpace(answer)); err != nil {
		i := slices.IndexFunc(Questions(), func(q Question) bool { return q.Name == question })
		return fmt.Errorf("%s: %w; want %s, as in %s", question, err, Questions()[i].Form, Questions()[i].Example)
	}
	return nil
}

// entries are the entries of a list, each with least to most fields.
func entries(text string, least, most int) (all [][]string, err error) {
	for _, entry := range strings.Split(strings.TrimSuffix(text, ";"), ";") {
		fields := strings.Split(entry, ",")
		for i := range fields {
			fields[i] = strings.TrimSpace(fields[i])
		}
		if len(fields) < least || len(fields) > most || slices.Contains(fields, "") {
			return nil, fmt.Errorf("got %q", strings.TrimSpace(entry))
		}
		all = append(all, fields)
	}
	return all, nil
}

// plainName reports what is wrong with a text that is to be a plain name.
func plainName(text string) error {
	const allowed = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_"
	if text == "" || strings.Trim(text, allowed) != "" {
		return fmt.Errorf("%q is no plain name", text)
	}
	return nil
}

func of(dimension quantity.Dimension, texts ...string) error {
	var all []error
	for _, text := range texts {
		if _, err := quantity.Parse(text, dimension); err != nil {
			all = append(all, err)
		}
	}
	return errors.Join(all...)
}

func (m *mill) units(text string) error {
	if text != "metric" && text != "inch" {
		return fmt.Errorf("got %q", text)
	}
	m.inch = text == "inch"
	return nil
}

func (m *mill) line(text string) error {
	m.name = text
	return plainName(text)
}

func (m *mill) controller(text string) error {
	m.address = text
	switch {
	case strings.HasPrefix(text, "opc.tcp://"):
		m.protocol = "opcua"
	case strings.HasPrefix(text, "/"):
		m.protocol = "modbus-rtu"
	default:
		m.protocol = "modbus-tcp"
		if _, _, err := net.SplitHostPort(text); err != nil {
			return err
		}
	}
	return nil
}

func (m *mill) sizes(text string) error {
	diameter, width, ok := strings.Cut(text, " x ")
	if !ok {
		return fmt.Errorf("got %q", text)
	}
	m.diameter, m.width = strings.TrimSpace(diameter), strings.TrimSpace(width)
	for _, span := range []string{m.diameter, m.width} {
		least, most, ok := strings.Cut(span, "..")
		if !ok {
			return fmt.Errorf("got %q", span)
		}
		if err := of(quantity.Length, least, most); err != nil {
			return err
		}
	}
	return nil
}

func (m *mill) hanging(text string) error {
	all, err := entries(text, 2, 2)
	if err != nil {
		return err
	}
	const most = 6
	if len(all) > most {
		return fmt.Errorf("got %d slots", len(all))
	}
	for _, e := range all {
		if err := errors.Join(of(quantity.Length, e[0]), plainName(e[1])); err != nil {
			return err
		}
		m.slots = append(m.slots, slot{e[0], e[1]})
	}
	return nil
}

func (m *mill) stock(text string) error {
	const most = 200
	all, err := entries(text, 4, most)
	if err != nil {
		return err
	}
	for _, e := range all {
		h := head{name: e[0], method: e[1], temperature: e[2]}
		if err := errors.Join(plainName(h.name), of(quantity.Temperature, h.temperature)); err != nil {
			return err
		}
		if h.method != "fused" && h.method != "glued" {
			return fmt.Errorf("%q is no way to join a head", h.method)
		}
		for _, text := range e[3:] {
			sizes, err := m.sizesOf(text)
			if err != nil {
				return err
			}
			h.sizes = append(h.sizes, sizes...)
		}
		m.heads = append(m.heads, h)
	}
	return nil
}

// sizesOf is one size, or those of a range and a step, in the unit of the step.
func (m *mill) sizesOf(text string) ([]string, error) {
	span, by, many := strings.Cut(text, " by ")
	if !many {
		return []string{text}, of(quantity.Length, text)
	}
	from, to, ok := strings.Cut(span, "..")
	if !ok {
		return nil, fmt.Errorf("got %q", text)
	}
	if err := of(quantity.Length, from, to, by); err != nil {
		return nil, err
	}
	unit := quantity.UnitOf(by, quantity.Length)
	least, most, step := value(from), value(to), value(by)
	const longest = 200
	if !(step > 0 && most >= least && (most-least)/step < longest) {
		return nil, fmt.Errorf("%q gives no list of sizes", text)
	}
	var sizes []string
	const round = 1e-6 // of a step
	for n := 0; least+float64(n)*step <= most+round*step; n++ {
		sizes = append(sizes, quantity.Round(least+float64(n)*step, quantity.Length, unit, 4))
	}
	return sizes, nil
}

// value is a length that was found to be one.
func value(text string) float64 {
	v, _ := quantity.Parse(text, quantity.Length)
	return v
}

func (m *mill) paperGrades(text string) error {
	all, err := entries(text, 3, 4)
	if err != nil {
		return err
	}
	for _, e := range all {
		g := grade{code: e[0], name: e[1], density: e[2]}
		if len(e) > 3 {
			g.head = e[3]
		}
		if err := errors.Join(code(g.code), plainName(g.name)); err != nil {
			return err
		}
		if g.density != "open" {
			if err := of(quantity.Density, g.density); err != nil {
				return err
			}
		}
		m.grades = append(m.grades, g)
	}
	return nil
}

func code(text string) error {
	if n, err := strconv.ParseUint(text, 10, 16); err != nil || n == 0 {
		return fmt.Errorf("%q is no code", text)
	}
	return nil
}

func (m *mill) rollCores(text string) error {
	all, err := entries(text, 3, 3)
	if err != nil {
		return err
	}
	for _, e := range all {
		if err := errors.Join(code(e[0]), plainName(e[1]), of(quantity.Length, e[2])); err != nil {
			return err
		}
		m.cores = append(m.cores, core{e[0], e[1], e[2]})
	}
	return nil
}

func (m *mill) speeds(text string) error {
	all, err := entries(text, 2, 2)
	if err != nil || len(all) > 1 {
		return fmt.Errorf("got %q", text)
	}
	m.wrapping, m.crimps = all[0][0], all[0][1]
	return of(quantity.Speed, m.wrapping, m.crimps)
}

// allAutomatic is the answer that no station is worked by hand.
const allAutomatic = "all"

func stationNames() []string {
	return []string{"centring", "stand", "wrap", "crimp", "glue", "vacuum", "heads", "header", "scale", "drives"}
}

func (m *mill) equipment(text string) error {
	m.stations = map[string]string{}
	if text == allAutomatic {
		return nil
	}
	const most = 60
	all, err := entries(text, 2, most)
	if err != nil {
		return err
	}
	for _, e := range all {
		zones := e[0] == "vacuum" && len(e) > 2
		switch {
		case !slices.Contains(stationNames(), e[0]):
			return fmt.Errorf("no station is called %q, they are %s", e[0], strings.Join(stationNames(), ", "))
		case !slices.Contains([]string{"absent", "manual", "semi", "auto"}, e[1]):
			return fmt.Errorf("%q is no way to work a station", e[1])
		case len(e) > 2 && !zones:
			return fmt.Errorf("got %q", strings.Join(e, ", "))
		case m.stations[e[0]] != "":
			return fmt.Errorf("%s is told of twice", e[0])
		}
		m.stations[e[0]] = e[1]
		if zones {
			m.edges = e[2:]
			if err := of(quantity.Length, m.edges...); err != nil {
				return err
			}
		}
	}
	return nil
}
