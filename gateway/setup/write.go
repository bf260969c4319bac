package setup

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"lapgate/gateway/config"
	"lapgate/recipe/caution"
	"lapgate/recipe/quantity"
)

// Text is the configuration that the answers make. It is one that the daemon takes, with
// what must be measured left open. Errors: all that is wrong with the answers; what they
// leave out.
func Text(a Answers) (string, error) {
	if missing := a.Missing(); len(missing) > 0 {
		return "", errors.New("without an answer: " + strings.Join(missing, ", "))
	}
	var m mill
	var all []error
	for _, q := range Questions() {
		all = append(all, m.take(q.Name, a[q.Name]))
	}
	if err := errors.Join(all...); err != nil {
		return "", err
	}
	if err := m.settle(); err != nil {
		return "", err
	}
	w := writer{mill: &m}
	w.head(a)
	w.materials()
	w.line()
	text := w.String()
	if _, err := config.Load(config.Source{Path: "the new configuration", Bytes: []byte(text)}); err != nil {
		return "", fmt.Errorf("the answers do not go together: %w", err)
	}
	return text, nil
}

// settle fills in what follows from the answers together.
func (m *mill) settle() error {
	glued := slices.ContainsFunc(m.heads, func(h head) bool { return h.method == "glued" })
	for _, s := range stationNames() {
		if m.stations[s] != "" {
			continue
		}
		switch {
		case s == "glue" && !glued:
			m.stations[s] = "absent"
		case s == "heads", s == "vacuum":
			m.stations[s] = "manual" // the edges of its zones are not known
		default:
			m.stations[s] = "auto"
		}
	}
	var all []error
	for i := range m.grades {
		g := &m.grades[i]
		switch known := slices.ContainsFunc(m.heads, func(h head) bool { return h.name == g.head }); {
		case g.head == "" && len(m.heads) == 1:
			g.head = m.heads[0].name
		case !known:
			all = append(all, fmt.Errorf("grades: grade %s has head %q; want one of those in stock", g.name, g.head))
		}
	}
	return errors.Join(all...)
}

// papers are the materials that hang, each once.
func (m *mill) papers() (names []string) {
	for _, s := range m.slots {
		if !slices.Contains(names, s.paper) {
			names = append(names, s.paper)
		}
	}
	return names
}

// writer writes the text.
type writer struct {
	strings.Builder
	*mill
}

func (w *writer) put(format string, args ...any) { fmt.Fprintf(&w.Builder, format+"\n", args...) }

// open writes a key whose value is to be measured. path names it from the top, without
// the numbers of elements.
func (w *writer) open(indent, path string) {
	key := path[strings.LastIndexByte(path, '.')+1:]
	w.put("%s%s: open # %s", indent, key, config.HowMeasured(path))
}

// length writes a length that is the mill's own choice and usual in the trade, in the
// units of the mill.
func (w *writer) length(inches float64) string {
	if w.inch {
		return quantity.Round(inches*inch, quantity.Length, "in", 3)
	}
	const step = 5e-3 // m
	return quantity.Round(float64(int(inches*inch/step+0.5))*step, quantity.Length, "mm", 0)
}

const inch = 0.0254

func comment(text string) string { return "# " + strings.ReplaceAll(text, "\n", "\n# ") }

func (w *writer) head(a Answers) {
	var flags []string
	for _, q := range Questions() {
		flags = append(flags, fmt.Sprintf("  --%s '%s'", q.Name, a[q.Name]))
	}
	w.put("%s", comment("The first configuration of line "+w.name+", made by lapgate init:\n"+strings.Join(flags, "\n")))
	w.put(`#
# What must be measured before the line may be armed is open. Until then the line stays
# in shadow, every roll is held, and where a number is needed the default of the key
# stands in; lapgate check lists what is open. Write the value with its unit in place of
# the word. Every other key stands at its default: lapgate config --reference.
#`)
	for _, c := range []caution.Caution{caution.ReachIn, caution.NipPoints, caution.Press, caution.Limits} {
		w.put("%s", comment("CAUTION. "+c.String()))
	}
	w.put("\nunits:")
	for _, u := range unitsOf(w.inch) {
		w.put("  %s: %s", u[0], u[1])
	}
	w.put("\njournal:\n  directory: journal # beside this file")
}

func unitsOf(inch bool) [][2]string {
	if inch {
		return [][2]string{{"length", "in"}, {"temperature", "°F"}, {"speed", "ft/min"}, {"mass", "lb"}, {"linear_mass", "lb/ft"}, {"basis_weight", "lb/1000ft2"}, {"density", "lb/ft3"}, {"pressure", "psi"}}
	}
	return [][2]string{{"length", "mm"}, {"temperature", "°C"}, {"speed", "m/min"}, {"mass", "kg"}, {"linear_mass", "kg/m"}, {"basis_weight", "g/m2"}, {"density", "kg/m3"}, {"pressure", "kPa"}}
}

func (w *writer) materials() {
	w.put("\npapers:")
	for _, p := range w.papers() {
		w.put("  - name: %s", p)
		w.open("    ", "papers.caliper")
		w.open("    ", "papers.basis_weight")
		w.put("    coated_side: in # none, in or out: look at it")
	}
	w.put("\nhead_materials:")
	for _, h := range w.heads {
		w.put("  - name: %s\n    method: %s", h.name, h.method)
		w.open("    ", "head_materials.thickness")
		w.open("    ", "head_materials.bond_temperature")
		w.put("    platen_temperature: %s", h.temperature)
		w.open("    ", "head_materials.basis_weight")
		w.put("    diameters: [%s]", strings.Join(h.sizes, ", "))
	}
	w.put("\ngrades:")
	for _, g := range w.grades {
		w.put("  - code: %s\n    name: %s", g.code, g.name)
		if g.density == "open" {
			w.open("    ", "grades.density")
		} else {
			w.put("    density: %s", g.density)
		}
		w.put("    spec: with-%s", g.head)
	}
	w.put("\ncores:")
	for _, c := range w.cores {
		w.put("  - code: %s\n    name: %s\n    diameter: %s", c.code, c.name, c.diameter)
		w.open("    ", "cores.wall")
		w.open("    ", "cores.mass")
	}
	w.put("\n# How a kind of roll is wrapped is the mill's own choice; these are usual.\nspecs:")
	for _, h := range w.heads {
		if !slices.ContainsFunc(w.grades, func(g grade) bool { return g.head == h.name }) {
			continue
		}
		w.put("  - name: with-%s\n    papers: [%s]\n    head: %s", h.name, strings.Join(w.papers(), ", "), h.name)
		w.put("    layers: 3\n    overlap: %s\n    crimp_turns: 1.25", w.length(6))
		w.put("    overhang: {optimum: %s, min: %s, max: %s}", w.length(5), w.length(3), w.length(7))
	}
}

func (w *writer) line() {
	w.put("\nlines:\n  - name: %s\n    equipment: # absent, manual, semi or auto", w.name)
	for _, s := range stationNames() {
		w.put("      %s: %s", s, w.stations[s])
	}
	section := func(name string, open ...string) {
		w.put("    %s:", name)
		for _, key := range open {
			w.open("      ", "lines."+name+"."+key)
		}
	}
	section("centring", "tolerance")
	section("stand", "core_diameter", "width_uncertainty")
	w.put("      # A wrapper roll overhead is a load that can kill: lock out the stand before work on it.\n      slots:")
	for i, s := range w.slots {
		w.put("        - {number: %d, width: %s, paper: %s}", i+1, s.width, s.paper)
	}
	section("wrap", "counts_per_metre", "feed_slip", "tension")
	w.put("      speed: %s", w.wrapping)
	section("crimp", "drag")
	w.put("      speed: %s", w.crimps)
	if w.stations["glue"] != "absent" {
		section("glue", "coverage", "solids")
	}
	if len(w.edges) > 0 {
		w.put("    vacuum:\n      edges: [%s]", strings.Join(w.edges, ", "))
	}
	if w.stations["heads"] != "absent" {
		section("heads", "size_uncertainty", "placement")
	}
	if w.stations["header"] != "absent" {
		w.put("    # With conductance and effusivity of the backing write their uncertainties and who measured\n    # them when: conductance_uncertainty, conductance_measured, and so on.")
		section("header", "conductance", "backing_effusivity", "pressure", "cylinder_bore", "platen_diameter")
	}
	section("cradle", "roll_diameter", "spacing", "friction")
	w.put("    drives:")
	for _, d := range []string{"turning", "feed", "crimper"} {
		w.put("      %s:", d)
		for _, key := range []string{"diameter", "gear", "poles", "rated_speed", "base_frequency"} {
			w.open("        ", "lines.drives."+d+"."+key)
		}
	}
	w.put("    limits:\n      diameter: %s\n      width: %s", w.diameter, w.width)
	w.controller()
}

func (w *writer) controller() {
	w.put("    controller:\n      protocol: %s\n      address: %s", w.protocol, w.address)
	switch w.protocol {
	case "modbus-tcp":
		w.put("      # Modbus has neither encryption nor login: only on a network that nobody else reaches.\n      plain: true")
	case "modbus-rtu":
		w.put("      plain: true # a serial line has neither encryption nor login\n      times: {poll: 300 ms}")
	case "opcua":
		w.put("      # Encrypted; accept the server's certificate with lapgate trust. To log in write user and\n      # password below opcua.")
	}
}
