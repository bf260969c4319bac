package config

import (
	"math"
	"reflect"
	"testing"
)

// The ranges of the tags keep these values inside their fields of the payload
// (section 4.2 of the handshake), so that no check of the limits is needed.
func TestRangesOfTagsFitTheWire(t *testing.T) {
	const whole = math.MaxUint16
	wire := []struct {
		key     string
		least   float64
		most    float64
		meaning string
	}{
		{key: "lines.stand.slots.number", most: 6, meaning: "wrapper slot"},
		{key: "lines.stand.slots.width", most: whole * 0.0001, meaning: "wrapper width, 0.1 mm"},
		{key: "specs.layers", most: whole * 0.01, meaning: "layers × 100"},
		{key: "specs.crimp_turns", most: whole * 0.01, meaning: "crimp turns × 100"},
		{key: "specs.overlap", most: whole * 0.0001, meaning: "overlap, 0.1 mm"},
		{key: "lines.wrap.speed", most: whole * 0.001, meaning: "wrap surface speed, mm/s"},
		{key: "lines.scale.tolerance", most: whole * 0.0001, meaning: "scale tolerance, 0.01 %"},
		{key: "lines.centring.target", least: -math.MaxInt16 * 0.0001, most: math.MaxInt16 * 0.0001, meaning: "centring offset, 0.1 mm"},
		{key: "grades.code", most: whole, meaning: "grade code of the request"},
		{key: "cores.code", most: whole, meaning: "core code of the request"},
		{key: "head_materials.platen_temperature", most: whole * 0.1, meaning: "header temperature, 0.1 °C"},
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
		if lo, hi := bounds(f); lo < w.least || hi > w.most {
			t.Errorf("%s: %s does not fit %s, %v..%v", w.key, f.rng, w.meaning, w.least, w.most)
		}
	}
}
