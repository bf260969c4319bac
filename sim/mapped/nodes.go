package mapped

import (
	"fmt"
	"math"

	"lapgate/sim/controller"
	"lapgate/sim/opcua"
)

// Serve adds the variables of an image as typed nodes to its OPC UA server.
// The server must give their namespace the index that the nodes of Tags have.
func Serve(s *opcua.Server, image *controller.Image, without ...string) error {
	g := newGlue(image, without)
	var all []opcua.Variable
	for i := range g.tags {
		t := &g.tags[i]
		all = append(all, opcua.Variable{
			ID: t.Name, Type: t.Type, Writable: t.Writable,
			Read: func() any {
				m := g.observe()
				return t.typed(g.read(i, &m))
			},
			Write: func(x any) error {
				v, ok := t.bare(x)
				if !ok {
					return fmt.Errorf("variable %s got a %T, want a %s", t.Name, x, t.Type)
				}
				return g.write(i, v)
			},
		})
	}
	n, err := s.Add(all)
	if err != nil {
		return err
	}
	if got, want := fmt.Sprintf("ns=%d;s=", n), namespace; got != want {
		return fmt.Errorf("simulator: the namespace of the variables is %s, want %s", got, want)
	}
	return nil
}

// typed is a value as the type that the variable has in the server.
func (t *Tag) typed(v value) any {
	switch t.Type {
	case "bool":
		return v.bits == 1
	case "int16":
		return int16(v.bits)
	case "uint16":
		return uint16(v.bits)
	case "int32":
		return int32(v.bits)
	case "uint32":
		return uint32(v.bits)
	case "int64":
		return int64(v.bits)
	case "uint64":
		return v.bits
	case "float32":
		return math.Float32frombits(uint32(v.bits))
	case "float64":
		return math.Float64frombits(v.bits)
	}
	return v.text
}

// bare takes a value of exactly that type.
func (t *Tag) bare(x any) (v value, ok bool) {
	switch x := x.(type) {
	case int16:
		return value{bits: uint64(uint16(x))}, t.Type == "int16"
	case uint16:
		return value{bits: uint64(x)}, t.Type == "uint16"
	case int32:
		return value{bits: uint64(uint32(x))}, t.Type == "int32"
	case uint32:
		return value{bits: uint64(x)}, t.Type == "uint32"
	case int64:
		return value{bits: uint64(x)}, t.Type == "int64"
	case uint64:
		return value{bits: x}, t.Type == "uint64"
	case float32:
		return value{bits: uint64(math.Float32bits(x))}, t.Type == "float32"
	case float64:
		return value{bits: math.Float64bits(x)}, t.Type == "float64"
	case string:
		return value{text: x}, t.Type == "text" && len(x) <= t.Length
	}
	return value{}, false
}
