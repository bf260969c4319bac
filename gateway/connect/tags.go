package connect

import (
	"context"
	"fmt"

	"lapgate/gateway/config"
	"lapgate/gateway/link"
	"lapgate/gateway/link/modbus"
	"lapgate/gateway/link/opcua"
	"lapgate/gateway/tags"
)

// overTags makes the dialer of a controller with tags of its own from the
// one of its transport.
func overTags(l *config.Line, over link.Dialer) (link.Dialer, error) {
	m := l.Mapped
	switch d := over.(type) {
	case *modbus.Dialer:
		c := &l.Controller.Modbus
		limits := tags.Limits{Read: c.ReadLimit, Write: link.MostWrite, Gap: c.Gap}
		return tags.New(m, tags.Registers, func(ctx context.Context) (tags.Tags, error) {
			raw, err := d.DialRaw(ctx)
			if err != nil {
				return nil, err
			}
			return tags.OverRegisters(raw, m, limits), nil
		})
	case *opcua.Dialer:
		return tags.New(m, tags.Nodes, func(ctx context.Context) (tags.Tags, error) {
			raw, err := d.DialRaw(ctx)
			if err != nil {
				return nil, err
			}
			return tags.OverNodes(raw, m), nil
		})
	}
	return nil, fmt.Errorf("controller.profile %s cannot be served over %s", l.Controller.Profile, l.Controller.Protocol)
}

// TagsOver tells how the tags of a line are reached.
func TagsOver(l *config.Line) tags.Transport {
	if l.Controller.Protocol == config.OPCUA {
		return tags.Nodes
	}
	return tags.Registers
}
