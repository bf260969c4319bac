package tags

import (
	"context"
	"fmt"
	"math"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// Values is a connection to typed nodes. Their values are of the Go types of
// their OPC UA types.
type Values interface {
	ReadValues(ctx context.Context, b handshake.ID, nodes []string, values []any) error
	WriteValues(ctx context.Context, b handshake.ID, nodes []string, values []any) error
	Close() error
}

// OverNodes makes tags of typed nodes. A node whose value is of another type
// than its tag is refused.
func OverNodes(values Values, m *Mapping) Tags { return &nodes{values, m} }

type nodes struct {
	values  Values
	mapping *Mapping
}

func (n *nodes) names(tags []int) []string {
	out := make([]string, len(tags))
	for i, k := range tags {
		out[i] = n.mapping.Tags[k].Node
	}
	return out
}

func (n *nodes) Read(ctx context.Context, b handshake.ID, tags []int, values []Value) error {
	got := make([]any, len(tags))
	if err := n.values.ReadValues(ctx, b, n.names(tags), got); err != nil {
		return err
	}
	for i, k := range tags {
		t := &n.mapping.Tags[k]
		v, ok := valueOf(t.Type, got[i])
		if !ok {
			return &link.Error{Op: "read", Block: b, Class: link.Refused,
				Err:  fmt.Errorf("node %s of %s is of type %T, the configuration says %s", t.Node, t.Field, got[i], t.Type),
				Help: "write the type that the controller has into the configuration"}
		}
		values[k] = v
	}
	return nil
}

func (n *nodes) Write(ctx context.Context, b handshake.ID, tags []int, values []Value) error {
	out := make([]any, len(tags))
	for i, k := range tags {
		out[i] = typed(n.mapping.Tags[k].Type, values[k])
	}
	return n.values.WriteValues(ctx, b, n.names(tags), out)
}

func (n *nodes) Close() error { return n.values.Close() }

// valueOf takes a value of exactly the type of its tag.
func valueOf(t Type, v any) (Value, bool) {
	switch x := v.(type) {
	case bool:
		if x {
			return Value{Bits: 1}, t == Bool
		}
		return Value{}, t == Bool
	case int16:
		return Value{Bits: uint64(uint16(x))}, t == Int16
	case uint16:
		return Value{Bits: uint64(x)}, t == Uint16
	case int32:
		return Value{Bits: uint64(uint32(x))}, t == Int32
	case uint32:
		return Value{Bits: uint64(x)}, t == Uint32
	case int64:
		return Value{Bits: uint64(x)}, t == Int64
	case uint64:
		return Value{Bits: x}, t == Uint64
	case float32:
		return Value{Bits: uint64(math.Float32bits(x))}, t == Float32
	case float64:
		return Value{Bits: math.Float64bits(x)}, t == Float64
	case string:
		return Value{Text: x}, t == Text
	}
	return Value{}, false
}

// typed is the value as the Go type of its tag.
func typed(t Type, v Value) any {
	switch t {
	case Bool:
		return v.Bits != 0
	case Int16:
		return int16(v.Bits)
	case Uint16:
		return uint16(v.Bits)
	case Int32:
		return int32(v.Bits)
	case Uint32:
		return uint32(v.Bits)
	case Int64:
		return int64(v.Bits)
	case Uint64:
		return v.Bits
	case Float32:
		return math.Float32frombits(uint32(v.Bits))
	case Float64:
		return math.Float64frombits(v.Bits)
	}
	return v.Text
}
