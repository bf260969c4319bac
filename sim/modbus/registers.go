package modbus

import (
	"context"

	"lapgate/sim/wire"
)

// Registers are holding registers that a server can stand before.
type Registers interface {
	// Read returns count registers from addr on, or says that they are not
	// there.
	Read(addr uint16, count int) ([]uint16, error)
	// Write writes words from addr on, or nothing.
	Write(addr uint16, words []uint16) error
}

// ListenRegisters serves registers of any kind in place of an image.
func ListenRegisters(ctx context.Context, addr string, unit uint8, registers Registers) (*Server, error) {
	srv, inner, err := start(ctx, &handler{unit: unit, image: registers}, nil)
	if err != nil {
		return nil, err
	}
	w, err := wire.Listen(ctx, addr, inner)
	if err != nil {
		_ = srv.Stop()
		return nil, err
	}
	return &Server{srv: srv, wire: w}, nil
}
