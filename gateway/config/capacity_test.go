package config

import (
	"reflect"
	"testing"

	"lapgate/gateway/handshake"
)

// The ranges of the tags keep these values inside the fields that carry them,
// so that no check of the limits is needed.
func TestRangesOfTagsFitTheWire(t *testing.T) {
	wire := []struct {
		key   string
		block handshake.ID
		field string
	}{
		{"lines.stand.slots.number", handshake.PAYLOAD, "slot"},
		{"lines.stand.slots.width", handshake.PAYLOAD, "wrapper_width"},
		{"specs.layers", handshake.PAYLOAD, "layers"},
		{"specs.crimp_turns", handshake.PAYLOAD, "crimp_turns"},
		{"specs.overlap", handshake.PAYLOAD, "overlap"},
		{"lines.wrap.speed", handshake.PAYLOAD, "wrap_speed"},
		{"lines.scale.tolerance", handshake.PAYLOAD, "scale_tolerance"},
		{"lines.centring.target", handshake.PAYLOAD, "centring_offset"},
		{"head_materials.platen_temperature", handshake.PAYLOAD, "header_temperature"},
		{"grades.code", handshake.REQ, "grade"},
		{"cores.code", handshake.REQ, "core"},
	}
	found := map[string]*field{}
	var visit func(typ reflect.Type, path string)
	visit = func(typ reflect.Type, path string) {
		for _, f := range fields(typ) {
			key := join(path, f.key)
			found[key] = &f
			switch {
			case f.section():
				visit(f.typ, key)
			case f.list() && f.typ.Elem().Kind() == reflect.Struct:
				visit(f.typ.Elem(), key)
			}
		}
	}
	visit(reflect.TypeFor[document](), "")
	for _, w := range wire {
		f := found[w.key]
		if f == nil || f.rng == "" {
			t.Errorf("%s: no such key, or no range", w.key)
			continue
		}
		c := capacity{field: handshake.FieldOf(w.block, w.field)}
		least, most := c.room()
		if lo, hi := new(known).bounds(f); lo < least || hi > most {
			t.Errorf("%s: %s does not fit %s, %v..%v", w.key, f.rng, w.field, least, most)
		}
	}
}
