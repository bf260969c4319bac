package modbus

import (
	"encoding/binary"
	"errors"
	"fmt"

	"github.com/goburrow/modbus"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// Frame sizes of Modbus TCP: transaction, protocol, length, unit; then the
// function and its data.
const (
	headSize = 7
	maxFrame = 260
	maxBody  = maxFrame - headSize + 1 // the length field counts the unit too
)

const exceptionBit = 0x80

// bodyLength reads the length field of a TCP answer, which counts the unit and
// what follows it.
func bodyLength(head []byte) (int, error) {
	n := int(binary.BigEndian.Uint16(head[4:]))
	if n < 3 || n > maxBody {
		return 0, fmt.Errorf("length field of the answer is %d, want 3 to %d", n, maxBody)
	}
	return n, nil
}

// checkTCP tells whether a whole frame answers the request.
func checkTCP(request, answer []byte) error {
	if got, want := binary.BigEndian.Uint16(answer), binary.BigEndian.Uint16(request); got != want {
		return fmt.Errorf("answer has transaction %d, want %d: it belongs to another request", got, want)
	}
	if got := binary.BigEndian.Uint16(answer[2:]); got != 0 {
		return fmt.Errorf("answer has protocol %d, want 0: it is not Modbus", got)
	}
	if answer[6] != request[6] {
		return fmt.Errorf("answer is from unit %d, want %d", answer[6], request[6])
	}
	return checkPDU(request[headSize:], answer[headSize:])
}

// checkPDU tells whether function and data answer the request, be it with an
// exception.
func checkPDU(request, answer []byte) error {
	if len(answer) < 2 {
		return fmt.Errorf("answer has %d bytes, want at least 2", len(answer))
	}
	function := request[0]
	if answer[0] == function|exceptionBit {
		if len(answer) != 2 {
			return fmt.Errorf("exception has %d bytes, want 2", len(answer))
		}
		if answer[1] == 0 {
			return errors.New("exception has code 0, which is none")
		}
		return nil
	}
	if answer[0] != function {
		return fmt.Errorf("answer is to function %d, want %d", answer[0], function)
	}
	switch function {
	case modbus.FuncCodeReadHoldingRegisters, modbus.FuncCodeReadInputRegisters:
		want := 2 * int(binary.BigEndian.Uint16(request[3:]))
		if int(answer[1]) != want || len(answer) != 2+want {
			return fmt.Errorf("answer announces %d and holds %d bytes of registers, want %d", answer[1], len(answer)-2, want)
		}
	case modbus.FuncCodeWriteMultipleRegisters:
		if len(answer) != 5 {
			return fmt.Errorf("confirmation has %d bytes, want 5", len(answer))
		}
		if string(answer[1:]) != string(request[1:5]) {
			return fmt.Errorf("confirmation is for %d registers at %d, want %d at %d",
				binary.BigEndian.Uint16(answer[3:]), binary.BigEndian.Uint16(answer[1:]),
				binary.BigEndian.Uint16(request[3:]), binary.BigEndian.Uint16(request[1:]))
		}
	case modbus.FuncCodeWriteSingleRegister:
		if string(answer) != string(request) {
			return fmt.Errorf("confirmation % X is not the echo of % X", answer, request)
		}
	default:
		return fmt.Errorf("function %d is not used here", function)
	}
	return nil
}

// exceptionOf returns the exception code that the controller answered with, 0
// when it did not.
func exceptionOf(err error) int {
	var e *modbus.ModbusError
	if errors.As(err, &e) {
		return int(e.ExceptionCode)
	}
	return 0
}

// exceptionClass tells what may be concluded from an exception. A controller that
// gives the gateway's own blocks for writing only answers a read with 1 or 2. A
// write may have been begun when the controller failed in its midst (4), works on it
// still (5), or did not answer the bridge that passed the request on (11).
func exceptionClass(f failure, code int) link.Class {
	if f.op != "write" {
		if handshake.GatewayOwned(f.block) && (code == modbus.ExceptionCodeIllegalFunction || code == modbus.ExceptionCodeIllegalDataAddress) {
			return link.NoAccess
		}
		return link.Refused
	}
	switch code {
	case modbus.ExceptionCodeIllegalFunction,
		modbus.ExceptionCodeIllegalDataAddress,
		modbus.ExceptionCodeIllegalDataValue,
		modbus.ExceptionCodeServerDeviceBusy,
		modbus.ExceptionCodeGatewayPathUnavailable:
		return link.Refused
	}
	return link.Unknown
}
