package gateway

import (
	"context"

	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/link"
)

// ReadSetpoint reads what an operator wrote for a setpoint.
var ReadSetpoint = readSetpoint

// Send writes a block as the first line does over a port, and tells whether it
// got through and what would end the line.
func (g *Gateway) Send(ctx context.Context, port link.Port, armed bool, id handshake.ID, words []uint16) (sent bool, halted error) {
	l := g.lines[0].loop()
	l.port, l.armed = port, armed
	sent = l.send(ctx, id, words)
	return sent, l.halted
}

// Pair makes every line one of a pair, before the first run.
func (g *Gateway) Pair() {
	for _, p := range g.lines {
		p.loop().set.machine.Pair = true
	}
}

// Unread reports whether nothing of the gateway can read the first line's journal now.
func (g *Gateway) Unread() bool {
	return !g.lines[0].loop().file.TryAlone(func() {})
}

// Read has f read the first line's journal, as what hands it on does.
func (g *Gateway) Read(ctx context.Context, f func(*journal.Reader) error) error {
	return g.lines[0].loop().file.Read(ctx, journal.OpenReader, f)
}

// Hear has the machine of the first line take an event.
func (g *Gateway) Hear(ctx context.Context, e cycle.Event) error {
	l := g.lines[0].loop()
	return l.ask(ctx, func(run context.Context) { l.handle(run, e) })
}
