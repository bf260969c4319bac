package modbus

import (
	"context"
	"fmt"

	"github.com/goburrow/modbus"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// Raw is a connection that reads and writes any holding registers, for a
// controller that offers tags instead of blocks. It is used by one goroutine
// at a time. Its errors are those of a port: after one of class Down or Unknown
// it is dead.
type Raw struct{ port *port }

// DialRaw connects as Dial does, but reads nothing. Errors are *link.Error of
// class Down.
func (d *Dialer) DialRaw(ctx context.Context) (*Raw, error) {
	if err := ctx.Err(); err != nil {
		return nil, &link.Error{Op: "dial", Class: link.Down, Err: err}
	}
	t, packager, err := d.connect(ctx)
	if err != nil {
		return nil, err
	}
	return &Raw{&port{client: modbus.NewClient2(packager, t), t: t, writes: d.conf.Writes}}, nil
}

// ReadRegisters fills dst from the zero-based address on, in one request. The
// block is the one that the registers serve, for the error.
func (r *Raw) ReadRegisters(ctx context.Context, b handshake.ID, address int, dst []uint16) error {
	p := r.port
	if p.dead != nil {
		return p.refuseDead("read", b)
	}
	p.t.begin(ctx)
	defer p.t.end()
	f := failure{op: "read", block: b, function: modbus.FuncCodeReadHoldingRegisters, request: link.Request{Address: address, Words: len(dst)}}
	reply, err := p.client.ReadHoldingRegisters(uint16(address), uint16(len(dst)))
	if err == nil && len(reply) != 2*len(dst) {
		err = fmt.Errorf("answer holds %d bytes, want %d", len(reply), 2*len(dst))
	}
	if err != nil {
		return p.fail(f, err)
	}
	for i := range dst {
		dst[i] = uint16(reply[2*i])<<8 | uint16(reply[2*i+1])
	}
	return nil
}

// WriteRegisters writes words from the zero-based address on, in one request
// where the configuration says so, with the last word last otherwise.
func (r *Raw) WriteRegisters(ctx context.Context, b handshake.ID, address int, words []uint16) error {
	p := r.port
	if p.dead != nil {
		return p.refuseDead("write", b)
	}
	p.t.begin(ctx)
	defer p.t.end()
	f := failure{op: "write", block: b, function: modbus.FuncCodeWriteMultipleRegisters, request: link.Request{Address: address, Words: len(words)}}
	if p.writes == WriteSingle {
		return p.writeSingly(f, words)
	}
	bytes := make([]byte, 0, 2*len(words))
	for _, w := range words {
		bytes = append(bytes, byte(w>>8), byte(w))
	}
	if _, err := p.client.WriteMultipleRegisters(uint16(address), uint16(len(words)), bytes); err != nil {
		return p.fail(f, err)
	}
	return nil
}

// Close frees the connection. It may be called more than once.
func (r *Raw) Close() error { return r.port.Close() }
