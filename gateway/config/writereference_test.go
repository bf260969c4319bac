package config

import (
	"reflect"
	"strconv"
	"strings"
)

// referenceText renders the reference configuration from the tags: every key with
// its meaning, its range and its default. Lists show one sample element; keys
// that have no default show a sample value, and are marked as required.
func referenceText() []byte {
	var b strings.Builder
	b.WriteString(`# The reference configuration of lapgate: every key at its default.
# A key that is left out takes the value shown here; one marked "required" has
# no default, and shows a sample. Quantities carry their unit, in any unit of
# their kind: 5 in, 127 mm, 350 °F, 12 s. Ranges are written least..greatest.
# Lists show one sample element.
`)
	renderFields(&b, reflect.TypeFor[document](), "", "", "")
	return []byte(b.String())
}

// renderFields writes the keys of a structure. first is what begins the first
// line, where the structure is an element of a list.
func renderFields(b *strings.Builder, t reflect.Type, path, indent, first string) {
	for _, f := range fields(t) {
		key := join(path, f.key)
		comment := remark(&f)
		if indent == "" {
			b.WriteString("\n")
		}
		if first != "" {
			b.WriteString(first + "# " + comment + "\n" + indent)
			first = ""
		} else {
			if comment != "" {
				b.WriteString(indent + "# " + comment + "\n")
			}
			b.WriteString(indent)
		}
		b.WriteString(f.key + ":")
		deeper := indent + "  "
		switch {
		case f.section():
			b.WriteString("\n")
			renderFields(b, f.typ, key, deeper, "")
		case f.list() && f.optional && f.typ.Elem().Kind() == reflect.Struct:
			// A sample element would be one in force.
			var element strings.Builder
			renderFields(&element, f.typ.Elem(), key, deeper+"  ", deeper+"- ")
			b.WriteString(" []\n")
			for line := range strings.Lines(element.String()) {
				b.WriteString(indent + "#" + strings.TrimPrefix(line, indent))
			}
		case f.list() && f.typ.Elem().Kind() == reflect.Struct:
			b.WriteString("\n")
			renderFields(b, f.typ.Elem(), key, deeper+"  ", deeper+"- ")
		case f.list():
			b.WriteString(" [" + sample(key) + "]\n")
		case f.hasDefault:
			b.WriteString(" " + yamlText(&f, f.def) + "\n")
		default:
			b.WriteString(" " + sample(key) + "\n")
		}
	}
}

// remark is the comment on a key: meaning, choice or range, and whether it is
// required.
func remark(f *field) string {
	parts := []string{}
	if f.doc != "" {
		parts = append(parts, f.doc)
	}
	if f.words != nil && !strings.Contains(f.doc, list(f.words)) {
		parts = append(parts, strings.Join(f.words, ", "))
	}
	if f.rng != "" {
		parts = append(parts, f.rng)
	}
	if !f.section() && !f.list() && !f.hasDefault && !f.optional {
		parts = append(parts, "required")
	}
	if f.measure != "" {
		parts = append(parts, "open until it is measured")
	}
	if f.restart != "" {
		parts = append(parts, "a change needs a restart")
	}
	return strings.Join(parts, "; ")
}

// yamlText writes a default as YAML.
func yamlText(f *field, s string) string {
	if s == "" || f.typ.Kind() == reflect.String && (truth(s) || numeric(s)) {
		return strconv.Quote(s)
	}
	return s
}

// sample is a value for a key without a default, in a configuration that
// passes every check.
func sample(key string) string {
	switch key {
	case "papers.name", "specs.papers", "lines.stand.slots.paper":
		return "kraft-poly"
	case "head_materials.name", "specs.head":
		return "board-poly"
	case "specs.name", "grades.spec":
		return "standard"
	case "head_materials.diameters":
		return "24 in, 30 in, 36 in, 42 in, 48 in"
	case "grades.name":
		return "newsprint"
	case "cores.name":
		return "three-inch"
	case "grades.code", "cores.code", "lines.stand.slots.number":
		return "1"
	case "lines.stand.slots.width":
		return "50 in"
	case "lines.vacuum.edges":
		return "300 mm, 600 mm, 900 mm"
	case "lines.heads.plugs":
		return "75 mm"
	case "lines.controller.address":
		return "127.0.0.1:502"
	case "lines.controller.plain":
		return "true"
	}
	return mappedSample(key)
}

// mappedSample is what the reference shows of a tag.
func mappedSample(key string) string {
	rest, ok := strings.CutPrefix(key, "lines.mapped.tags.")
	if !ok {
		return ""
	}
	switch rest {
	case "field":
		return "request.diameter"
	case "type":
		return "float32"
	case "register":
		return "40201"
	case "address":
		return "0xC8"
	case "node":
		return `"ns=3;s=Line.Roll.Diameter"`
	case "bit":
		return "5"
	case "length":
		return "16"
	case "unit":
		return "mm"
	}
	return ""
}
