package main

import (
	"context"
	"fmt"

	"lapgate/gateway/config"
	"lapgate/gateway/link"
	"lapgate/gateway/link/mapped"
	"lapgate/gateway/link/modbus"
	"lapgate/gateway/link/opcua"
	"lapgate/gateway/tag"
)

// mappedDialer makes the dialer of a controller with tags of its own from the
// one of its transport.
func mappedDialer(l *config.Line, over link.Dialer) (link.Dialer, error) {
	m := l.Mapped
	switch d := over.(type) {
	case *modbus.Dialer:
		c := &l.Controller.Modbus
		limits := mapped.Limits{Read: c.ReadLimit, Write: link.MostWrite, Gap: c.Gap}
		return mapped.New(m, tag.Registers, func(ctx context.Context) (mapped.Tags, error) {
			raw, err := d.DialRaw(ctx)
			if err != nil {
				return nil, err
			}
			return mapped.OverRegisters(raw, m, limits), nil
		})
	case *opcua.Dialer:
		return mapped.New(m, tag.Nodes, func(ctx context.Context) (mapped.Tags, error) {
			raw, err := d.DialRaw(ctx)
			if err != nil {
				return nil, err
			}
			return mapped.OverNodes(raw, m), nil
		})
	}
	return nil, fmt.Errorf("controller.profile %s cannot be served over %s", l.Controller.Profile, l.Controller.Protocol)
}

// transportOf tells how the tags of a line are reached.
func transportOf(l *config.Line) tag.Transport {
	if l.Controller.Protocol == config.OPCUA {
		return tag.Nodes
	}
	return tag.Registers
}
