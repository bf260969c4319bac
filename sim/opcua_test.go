package sim

import (
	"context"
	"fmt"
	"testing"

	"github.com/gopcua/opcua"
	"github.com/gopcua/opcua/ua"

	"lapgate/sim/controller"
	"lapgate/sim/internal/standin"
	"lapgate/sim/nodeset"
	"lapgate/sim/registers"
)

// variables is an OPC UA client that reads and writes blocks by the address
// that they have as registers, and begins anew after every failure.
type variables struct {
	url   string
	names map[uint16]string
	ns    uint16
	c     *opcua.Client
}

func newVariables(url, line string, b controller.Bases) *variables {
	v := &variables{url: url, names: map[uint16]string{}}
	for _, n := range nodeset.Blocks() {
		at := map[registers.Block]uint16{
			registers.Request: b.Req, registers.Outcome: b.Out + uint16(n.Entry*n.Words), registers.Heartbeat: b.Heartbeat,
			registers.Hello: b.Hello, registers.Payload: b.Payload, registers.Commit: b.Commit, registers.Ack: b.Ack,
		}
		v.names[at[n.Name]] = n.NodeID(line)
	}
	return v
}

func (v *variables) call(addr uint16, f func(context.Context, *ua.NodeID) error) error {
	ctx, cancel := context.WithTimeout(context.Background(), gatewayRequestTTL)
	defer cancel()
	err := v.connect(ctx)
	if err == nil {
		err = f(ctx, ua.NewStringNodeID(v.ns, v.names[addr]))
	}
	if err != nil && v.c != nil {
		_ = v.c.Close(ctx)
		v.c = nil
	}
	return err
}

func (v *variables) connect(ctx context.Context) (err error) {
	if v.c != nil {
		return nil
	}
	c, err := opcua.NewClient(v.url, opcua.AutoReconnect(false), opcua.DialTimeout(gatewayRequestTTL), opcua.RequestTimeout(gatewayRequestTTL))
	if err != nil {
		return err
	}
	v.c = c
	if err := c.Connect(ctx); err != nil {
		return err
	}
	v.ns, err = c.FindNamespace(ctx, nodeset.URI)
	return err
}

func (v *variables) Read(addr uint16, count int) (words []uint16, err error) {
	err = v.call(addr, func(ctx context.Context, id *ua.NodeID) error {
		res, err := v.c.Read(ctx, &ua.ReadRequest{NodesToRead: []*ua.ReadValueID{{NodeID: id, AttributeID: ua.AttributeIDValue}}})
		if err != nil {
			return err
		}
		got, ok := res.Results[0].Value.Value().([]uint16)
		if !ok || len(got) != count {
			return fmt.Errorf("%v is %v", id, res.Results[0])
		}
		words = got
		return nil
	})
	return words, err
}

func (v *variables) Write(addr uint16, words []uint16) error {
	return v.call(addr, func(ctx context.Context, id *ua.NodeID) error {
		res, err := v.c.Write(ctx, &ua.WriteRequest{NodesToWrite: []*ua.WriteValue{{
			NodeID: id, AttributeID: ua.AttributeIDValue,
			Value: &ua.DataValue{EncodingMask: ua.DataValueValue, Value: ua.MustVariant(words)},
		}}})
		if err == nil && res.Results[0] != ua.StatusOK {
			err = res.Results[0]
		}
		return err
	})
}

func TestShiftOverOPCUA(t *testing.T) {
	shiftOver(t,
		func(cfg *Config) {
			cfg.Modbus.Addr = ""
			cfg.OPCUA.Addr, cfg.OPCUA.Line, cfg.OPCUA.Plain, cfg.OPCUA.Anonymous = "127.0.0.1:0", "north", true, true
		},
		func(s *Sim, cfg *Config) standin.Line { return newVariables(s.OPCUA().URL(), "north", cfg.Bases) },
		func(t *testing.T, s *Sim, g *standin.Gateway) { lastOnDisplay(t, s, g.Seen[5]) })
}

// lastOnDisplay holds the displays for people against the last outcome.
func lastOnDisplay(t *testing.T, s *Sim, entry []uint16) {
	t.Helper()
	c, err := opcua.NewClient(s.OPCUA().URL(), opcua.AutoReconnect(false))
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Connect(t.Context()); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = c.Close(context.Background()) }()
	ns, err := c.FindNamespace(t.Context(), nodeset.URI)
	if err != nil {
		t.Fatal(err)
	}
	accepted := s.Image().Accepted()
	seen := 0
	for _, d := range nodeset.Displays() {
		var want any
		switch d.View {
		case nodeset.OfOutcome:
			want = d.Value(entry)
		case nodeset.OfRecipe:
			want = d.Value(accepted[:])
		default:
			continue
		}
		v, err := c.Node(ua.NewStringNodeID(ns, d.NodeID("north"))).Value(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if v.Value() != want {
			t.Errorf("%s %s shows %v, want %v", d.View, d.Name, v.Value(), want)
		}
		if d.Name == "FeedLength" && v.Value().(float64) > 5000 {
			seen++
		}
	}
	if seen != 2 {
		t.Errorf("%d of 2 feed lengths are those of a roll", seen)
	}
}
