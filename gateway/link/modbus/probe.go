package modbus

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/goburrow/modbus"

	"lapgate/gateway/link"
)

// Probe looks at the registers of a device without knowing what they hold. It
// reads, and can do nothing else.
type Probe struct {
	client modbus.Client
	t      transport
}

// OpenProbe connects to host:port by plain Modbus TCP, as one unit. The
// timeout bounds the connection and each answer. Errors are *link.Error of
// class Down or ConfigClass.
func OpenProbe(ctx context.Context, address string, unit uint8, timeout time.Duration) (*Probe, error) {
	conf := Config{Unit: unit, Timeout: timeout}
	bad := conf.checkTimeout()
	if err := checkAddress(address); err != nil {
		bad = append(bad, err)
	}
	if len(bad) > 0 {
		return nil, &link.Error{Op: "dial", Class: link.ConfigClass, Err: bad[0]}
	}
	d := bareDialer(conf)
	d.overTCP(address)
	return d.Probe(ctx)
}

// OpenSerialProbe joins a bus by Modbus RTU, as one unit. Nobody else may be master of
// its line. Errors are *link.Error of class Down or ConfigClass.
func OpenSerialProbe(ctx context.Context, b *Bus, unit uint8, timeout time.Duration) (*Probe, error) {
	conf := Config{Unit: unit, Timeout: timeout}
	if bad := append(b.line.check(conf), conf.checkTimeout()...); len(bad) > 0 {
		return nil, &link.Error{Op: "dial", Class: link.ConfigClass, Err: errors.Join(bad...)}
	}
	d := bareDialer(conf)
	d.overSerial(b)
	return d.Probe(ctx)
}

// Probe connects as Dial does, but asks for nothing.
func (d *Dialer) Probe(ctx context.Context) (*Probe, error) {
	t, packager, err := d.connect(ctx)
	if err != nil {
		return nil, err
	}
	return &Probe{client: modbus.NewClient2(packager, t), t: t}, nil
}

// Read reads up to link.MostRead registers from a zero-based address in one
// request, and tells how long the answer took. Errors are *ProbeError of class
// Refused, Unknown or Down; after the last two the probe is of no more use.
func (p *Probe) Read(ctx context.Context, kind Reads, address, count int) ([]uint16, time.Duration, error) {
	p.t.begin(ctx)
	defer p.t.end()
	function, read := byte(modbus.FuncCodeReadHoldingRegisters), p.client.ReadHoldingRegisters
	if kind == ReadInput {
		function, read = modbus.FuncCodeReadInputRegisters, p.client.ReadInputRegisters
	}
	asked := time.Now()
	reply, err := read(uint16(address), uint16(count))
	took := time.Since(asked)
	if err == nil && len(reply) != 2*count {
		err = fmt.Errorf("answer holds %d bytes, want %d", len(reply), 2*count)
	}
	if err != nil {
		return nil, took, probeError(p, function, link.Request{Address: address, Words: count}, err)
	}
	words := make([]uint16, count)
	for i := range words {
		words[i] = uint16(reply[2*i])<<8 | uint16(reply[2*i+1])
	}
	return words, took, nil
}

// ProbeError is a read of a probe that failed. It names no block, since a
// probe knows none.
type ProbeError struct {
	Class   link.Class
	Request link.Request
	Err     error
	Help    string
	Code    int // of the exception that the device answered with, 0 for none
}

// Error names the registers, the cause and the remedy.
func (e *ProbeError) Error() string {
	s := fmt.Sprintf("reading registers %d to %d: %v", e.Request.Address, e.Request.Address+e.Request.Words-1, e.Err)
	if e.Help != "" {
		s += "; " + e.Help
	}
	return s
}

// Unwrap returns the cause.
func (e *ProbeError) Unwrap() error { return e.Err }

func probeError(p *Probe, function byte, r link.Request, err error) error {
	e := &ProbeError{Request: r, Err: err}
	switch code := exceptionOf(err); {
	case code != 0:
		e.Class, e.Code, e.Help = link.Refused, code, probeHelp(code, function, r)
	case !p.t.sent():
		e.Class, e.Help = link.Down, silenceHelp(err)
	default:
		e.Class, e.Help = link.Unknown, silenceHelp(err)
	}
	return e
}

// probeHelp is what a person can do about an exception without a
// configuration.
func probeHelp(code int, function byte, r link.Request) string {
	switch code {
	case modbus.ExceptionCodeIllegalFunction:
		return fmt.Sprintf("the device does not offer function %d: try the other kind of registers", function)
	case modbus.ExceptionCodeIllegalDataAddress:
		return fmt.Sprintf("the device has not all of these registers: addresses count from zero (%s)", otherNotation(function, r.Address))
	case modbus.ExceptionCodeIllegalDataValue:
		return fmt.Sprintf("the device does not give %d registers in one request: ask for fewer", r.Words)
	}
	return exceptionHelp(code, failure{op: "read", function: function, request: r})
}

// Close ends the connection.
func (p *Probe) Close() error { return p.t.Close() }
