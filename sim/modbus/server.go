// Package modbus serves holding registers, such as those of a controller's image, over Modbus TCP, with TLS
// or without.
package modbus

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"log"
	"net"
	"sync/atomic"
	"time"

	"github.com/simonvetter/modbus"

	"lapgate/sim/wire"
)

// Server is a Modbus TCP server before holding registers. Its clients come in
// over a wire that can be made to fail.
type Server struct {
	srv     *modbus.ModbusServer
	wire    *wire.Wire
	handler *handler
}

// maxClients is far above what a line needs, so that clients which died
// without a word do not lock out the next one.
const maxClients = 256

// Registers are the holding registers that a server stands before.
type Registers interface {
	// Read returns count registers from addr on, or says that they are not
	// there.
	Read(addr uint16, count int) ([]uint16, error)
	// Write writes words from addr on, or nothing.
	Write(addr uint16, words []uint16) error
}

// Security makes it a server of Modbus/TCP Security: both sides show a
// certificate.
type Security struct {
	Certificate tls.Certificate // of the server, with its key
	Clients     *x509.CertPool  // authorities that sign those of clients
}

// Listen serves registers at addr, for example "127.0.0.1:0", to requests
// with the unit number given; secured unless security is nil.
func Listen(ctx context.Context, addr string, unit uint8, registers Registers, security *Security) (*Server, error) {
	h := &handler{unit: unit, registers: registers}
	srv, inner, err := start(ctx, h, security)
	if err != nil {
		return nil, err
	}
	w, err := wire.Listen(ctx, addr, inner)
	if err != nil {
		_ = srv.Stop()
		return nil, err
	}
	return &Server{srv: srv, wire: w, handler: h}, nil
}

// start finds a free port for the library's server, which does not tell the
// port it was given: the port is tried first, and another one is taken when
// somebody was faster.
func start(ctx context.Context, h *handler, security *Security) (srv *modbus.ModbusServer, addr string, err error) {
	for range 20 {
		var lc net.ListenConfig
		ln, lerr := lc.Listen(ctx, "tcp", "127.0.0.1:0")
		if lerr != nil {
			return nil, "", fmt.Errorf("simulator finds no free port: %w", lerr)
		}
		addr = ln.Addr().String()
		_ = ln.Close()
		conf := &modbus.ServerConfiguration{
			URL:        "tcp://" + addr,
			Timeout:    10 * time.Minute,
			MaxClients: maxClients,
			Logger:     log.New(io.Discard, "", 0),
		}
		if security != nil {
			conf.URL = "tcp+tls://" + addr
			conf.TLSServerCert, conf.TLSClientCAs = &security.Certificate, security.Clients
		}
		srv, err = modbus.NewServer(conf, h)
		if err != nil {
			return nil, "", fmt.Errorf("simulator: modbus server: %w", err)
		}
		if err = srv.Start(); err == nil {
			return srv, addr, nil
		}
	}
	return nil, "", fmt.Errorf("simulator: modbus server: %w", err)
}

// Addr is the address that clients dial.
func (s *Server) Addr() string { return s.wire.Addr() }

// Wire is the network before the server.
func (s *Server) Wire() *wire.Wire { return s.wire }

// Except answers the next request with an exception, by its code of Exceptions.
func (s *Server) Except(code uint8) { s.handler.exception.Store(uint32(code)) }

// Exceptions lists the codes of Except.
func Exceptions() (codes []uint8) {
	for _, e := range exceptions() {
		codes = append(codes, e.code)
	}
	return codes
}

// exception is one answer of a server that does not do what was asked.
type exception struct {
	code uint8
	err  error
}

func exceptions() []exception {
	return []exception{
		{1, modbus.ErrIllegalFunction},
		{2, modbus.ErrIllegalDataAddress},
		{3, modbus.ErrIllegalDataValue},
		{4, modbus.ErrServerDeviceFailure},
		{5, modbus.ErrAcknowledge},
		{6, modbus.ErrServerDeviceBusy},
		{8, modbus.ErrMemoryParityError},
		{10, modbus.ErrGWPathUnavailable},
		{11, modbus.ErrGWTargetFailedToRespond},
	}
}

// Close stops serving.
func (s *Server) Close() error {
	werr := s.wire.Close()
	if err := s.srv.Stop(); err != nil {
		return err
	}
	return werr
}

type handler struct {
	unit      uint8
	registers Registers
	exception atomic.Uint32 // the code that the next request is answered with, 0 none
}

// HandleCoils refuses: there are none.
func (h *handler) HandleCoils(*modbus.CoilsRequest) ([]bool, error) {
	return nil, modbus.ErrIllegalFunction
}

// HandleDiscreteInputs refuses: there are none.
func (h *handler) HandleDiscreteInputs(*modbus.DiscreteInputsRequest) ([]bool, error) {
	return nil, modbus.ErrIllegalFunction
}

// refusal is why a request to a unit is not carried out, nil for one that is.
func (h *handler) refusal(unit uint8) error {
	if unit != h.unit {
		return modbus.ErrGWTargetFailedToRespond
	}
	if code := h.exception.Swap(0); code != 0 {
		for _, e := range exceptions() {
			if uint32(e.code) == code {
				return e.err
			}
		}
	}
	return nil
}

// HandleHoldingRegisters serves functions 3, 6 and 16.
func (h *handler) HandleHoldingRegisters(r *modbus.HoldingRegistersRequest) ([]uint16, error) {
	if err := h.refusal(r.UnitId); err != nil {
		return nil, err
	}
	if r.IsWrite {
		if err := h.registers.Write(r.Addr, r.Args); err != nil {
			return nil, modbus.ErrIllegalDataAddress
		}
		return nil, nil
	}
	return h.read(r.Addr, r.Quantity)
}

// HandleInputRegisters serves function 4 with the same registers.
func (h *handler) HandleInputRegisters(r *modbus.InputRegistersRequest) ([]uint16, error) {
	if err := h.refusal(r.UnitId); err != nil {
		return nil, err
	}
	return h.read(r.Addr, r.Quantity)
}

func (h *handler) read(addr, count uint16) ([]uint16, error) {
	words, err := h.registers.Read(addr, int(count))
	if err != nil {
		return nil, modbus.ErrIllegalDataAddress
	}
	return words, nil
}
