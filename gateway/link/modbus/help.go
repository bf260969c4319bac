package modbus

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"strings"
	"syscall"

	"github.com/goburrow/modbus"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// timedOut tells whether nothing came in time.
func timedOut(err error) bool {
	return errors.Is(err, os.ErrDeadlineExceeded) || errors.Is(err, context.DeadlineExceeded)
}

// hungUp tells whether the other side ended the connection.
func hungUp(err error) bool {
	return errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) ||
		errors.Is(err, syscall.ECONNRESET) || errors.Is(err, syscall.EPIPE)
}

// connectHelp says what a person can do when no connection comes about.
func connectHelp(address string, err error) string {
	var dns *net.DNSError
	switch {
	case errors.Is(err, context.Canceled):
		return ""
	case errors.As(err, &dns):
		return fmt.Sprintf("the name in %s is not known here: check the spelling, or use the controller's IP address", address)
	case errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Sprintf("nothing listens at %s: check address and port, that the Modbus server of the controller is switched on, "+
			"and that no firewall refuses the connection", address)
	case errors.Is(err, syscall.EHOSTUNREACH), errors.Is(err, syscall.ENETUNREACH):
		return fmt.Sprintf("there is no way to %s from this machine: check cable, network address, mask and router", address)
	case timedOut(err):
		return fmt.Sprintf("%s does not answer at all: check that the controller has power, the cable, the address, "+
			"and that no firewall swallows the connection", address)
	}
	return fmt.Sprintf("check address, port and network of %s", address)
}

// tlsHelp says what a person can do when a connection stands but cannot be
// secured.
func tlsHelp(address string, err error) string {
	var (
		authority x509.UnknownAuthorityError
		host      x509.HostnameError
		invalid   x509.CertificateInvalidError
		record    tls.RecordHeaderError
	)
	switch {
	case errors.As(err, &authority):
		return "the controller's certificate is not signed by an authority in the trust file: if it is the right controller, " +
			"put its authority, or the certificate itself, there"
	case errors.As(err, &host):
		return "the controller's certificate is for another name: configure the name that stands in it, or have it reissued"
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		return "the controller's certificate is not valid at this time: check the clocks of both machines, then have it renewed"
	case errors.As(err, &invalid):
		return "the controller's certificate may not be used for this: have it reissued for server use"
	case errors.As(err, &record):
		return fmt.Sprintf("%s does not speak TLS: plain Modbus commonly listens at port 502, the secured one at 802", address)
	case isAlert(err):
		return "the controller does not accept this gateway's certificate: have it entered in the controller's trust list, " +
			"and check that it is valid and meant for client use"
	case hungUp(err):
		return "the controller ended the connection while it was being secured: check that it accepts this gateway's certificate " +
			"and TLS 1.2 or newer"
	}
	return connectHelp(address, err)
}

// isAlert tells whether the other side ended TLS with an alert.
func isAlert(err error) bool {
	var alert tls.AlertError
	if errors.As(err, &alert) {
		return true
	}
	var op *net.OpError
	return errors.As(err, &op) && op.Op == "remote error" && strings.HasPrefix(op.Err.Error(), "tls:")
}

// serialHelp says what a person can do when a serial device cannot be opened.
func serialHelp(device string, err error) string {
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ENODEV), errors.Is(err, syscall.ENXIO):
		return fmt.Sprintf("there is no device %s: check that the converter is plugged in, and its name", device)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Sprintf("this user may not open %s: add it to the group that owns the device, commonly dialout", device)
	case errors.Is(err, syscall.EBUSY):
		return fmt.Sprintf("another program holds %s: end it", device)
	}
	return fmt.Sprintf("check device %s and its settings", device)
}

// silenceHelp says what a person can do when a request got no valid answer.
func silenceHelp(err error) string {
	switch {
	case errors.Is(err, context.Canceled):
		return ""
	case isAlert(err):
		return tlsHelp("", err)
	case timedOut(err):
		return "the controller did not answer in time: check that it runs, the unit identifier, and the load of the network"
	case hungUp(err):
		return "the controller ended the connection: check its limit of connections, its list of permitted addresses, and that it runs"
	}
	return "the answer does not fit the request: check for another master on the same connection or line, and for a faulty bridge"
}

// otherNotation names a register as those count who begin at 1 and put the
// kind of register before the number.
func otherNotation(function byte, address int) string {
	kind := 4
	if function == modbus.FuncCodeReadInputRegisters {
		kind = 3
	}
	return fmt.Sprintf("register %s in the other notation is address %d", Notation(kind, address), address)
}

// The first figures of the other notation.
const (
	InputRegister   = 3
	HoldingRegister = 4
)

// Notation is the number of a register counted from 1, with the kind before
// it: 4 for holding registers, 3 for input registers. It has five figures
// while that holds the address, else six.
func Notation(kind, address int) string {
	if address < 9999 {
		return fmt.Sprintf("%d%04d", kind, address+1)
	}
	return fmt.Sprintf("%d%05d", kind, address+1)
}

// valueHelp says what a person can do about a request whose length or value the
// controller does not take. Only the length of a read is a setting.
func valueHelp(function byte, b handshake.ID, r link.Request) string {
	switch {
	case function == modbus.FuncCodeWriteSingleRegister:
		return fmt.Sprintf("the controller does not take the value of a register of block %s: let it take any word there", b)
	case function == modbus.FuncCodeWriteMultipleRegisters:
		return fmt.Sprintf("the controller does not take a write of %d registers in one request (block %s): let its Modbus server take that many, "+
			"or configure writes register by register (function 6)", r.Words, b)
	case r.Words == 1:
		return fmt.Sprintf("the controller does not give register %d (block %s): look at its diagnostics", r.Address, b)
	}
	return fmt.Sprintf("the controller does not take %d registers in one request (block %s): lower the registers per request", r.Words, b)
}

// exceptionHelp says what a person can do about an exception.
func exceptionHelp(code int, f failure) string {
	function, b, r := f.function, f.block, f.request
	switch code {
	case modbus.ExceptionCodeIllegalFunction:
		help := fmt.Sprintf("the controller does not offer function %d: switch it on in its Modbus server", function)
		switch function {
		case modbus.FuncCodeWriteMultipleRegisters:
			help += ", or configure writes register by register (function 6)"
		case modbus.FuncCodeReadHoldingRegisters, modbus.FuncCodeReadInputRegisters:
			help += ", or configure the other kind of registers for its own blocks"
		}
		return help
	case modbus.ExceptionCodeIllegalDataAddress:
		return fmt.Sprintf("the controller has not all of the registers %d to %d (block %s): check the base address, which counts from zero (%s)",
			r.Address, r.Address+r.Words-1, b, otherNotation(function, r.Address))
	case modbus.ExceptionCodeIllegalDataValue:
		return valueHelp(function, b, r)
	case modbus.ExceptionCodeServerDeviceFailure:
		return "the controller failed while it worked on the request: look at its diagnostics"
	case modbus.ExceptionCodeAcknowledge:
		return "the controller answered that it needs longer: raise its priority for the Modbus server"
	case modbus.ExceptionCodeServerDeviceBusy:
		return "the controller is busy: check whether a download or another program holds it"
	case modbus.ExceptionCodeGatewayPathUnavailable, modbus.ExceptionCodeGatewayTargetDeviceFailedToRespond:
		return "a bridge on the way cannot reach the device: check the unit identifier and the line behind the bridge"
	}
	return "the manual of the controller explains this exception"
}
