package channel

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"strconv"

	"github.com/gopcua/opcua/ua"
)

// Limits of what a server may send. The specification wants buffers of 8192 at
// least; ours are no larger than the blocks need.
const (
	bufferSize  = 16 << 10
	leastBuffer = 8192
	maxChunks   = 64
	// MaxMessage is the longest answer taken, in bytes.
	MaxMessage = bufferSize * maxChunks
)

// The kinds of a frame, OPC 10000-6 tables 48 and 69.
const (
	hello   = "HEL"
	accept  = "ACK"
	refusal = "ERR"
	opening = "OPN"
	message = "MSG"
	goodbye = "CLO"
)

// The parts of a message, OPC 10000-6 table 48.
const (
	middle = 'C'
	final  = 'F'
	abort  = 'A'
)

// Lengths in bytes, OPC 10000-6 sections 6.7.2 and 7.1.2.
const (
	frameHeader    = 8  // kind, part, size
	channelHeader  = 12 // the same and the channel
	messageHeader  = 16 // the same and the token
	sequenceHeader = 8  // sequence number, request
	acceptLength   = 28
	mostEndpoint   = 4096
	mostReason     = 200 // of a server's text that is passed on
)

// peerLimits is what a server takes; 0 stands for no limit.
type peerLimits struct {
	chunk   int // bytes of one chunk
	message uint32
	chunks  uint32
}

var le = binary.LittleEndian

// header appends the beginning of a frame; its size is set when it is known.
func header(out []byte, kind string, part byte) []byte {
	return append(append(out, kind...), part, 0, 0, 0, 0)
}

// greet agrees on the sizes of what is sent. The server may take less than was
// offered and send less, never more.
func (c *Channel) greet() error {
	if len(c.conf.Endpoint) >= mostEndpoint {
		return fmt.Errorf("the address of the server has %d characters, want less than %d", len(c.conf.Endpoint), mostEndpoint)
	}
	out := header(nil, hello, final)
	for _, n := range []uint32{0, bufferSize, bufferSize, MaxMessage, maxChunks, uint32(len(c.conf.Endpoint))} {
		out = le.AppendUint32(out, n)
	}
	out = append(out, c.conf.Endpoint...)
	le.PutUint32(out[4:], uint32(len(out)))
	if _, err := c.conn.Write(out); err != nil {
		return err
	}
	in, err := c.frame()
	if err != nil {
		return err
	}
	if string(in[:4]) != accept+string(final) || len(in) != acceptLength {
		return fmt.Errorf("answer is %q of %d bytes, want %s of %d", in[:4], len(in), accept, acceptLength)
	}
	version, takes, sends := le.Uint32(in[8:]), le.Uint32(in[12:]), le.Uint32(in[16:])
	if version != 0 {
		return fmt.Errorf("server speaks version %d of the protocol, want 0", version)
	}
	for _, n := range []uint32{takes, sends} {
		if n < leastBuffer || n > bufferSize {
			return fmt.Errorf("server answers with a buffer of %d bytes, want %d to %d, as it was told", n, leastBuffer, bufferSize)
		}
	}
	c.peer = peerLimits{int(takes), le.Uint32(in[20:]), le.Uint32(in[24:])}
	return nil
}

// frame returns the next frame, valid until the next call.
func (c *Channel) frame() ([]byte, error) {
	if _, err := c.in.Discard(c.taken); err != nil {
		return nil, err
	}
	c.taken = 0
	head, err := c.in.Peek(frameHeader)
	if err != nil {
		return nil, cut(err, len(head))
	}
	size := le.Uint32(head[4:])
	if size < channelHeader || size > bufferSize {
		return nil, fmt.Errorf("server sends a frame %q of %d bytes, want %d to %d", head[:4], size, channelHeader, bufferSize)
	}
	in, err := c.in.Peek(int(size))
	if err != nil {
		return nil, cut(err, len(in))
	}
	c.taken = int(size)
	if string(in[:3]) == refusal {
		return nil, complaintOf("the server ends the connection", in[frameHeader:])
	}
	return in, nil
}

// cut tells an end in good order from one within a frame.
func cut(err error, have int) error {
	switch {
	case !errors.Is(err, io.EOF):
		return err
	case have == 0:
		return errEnded
	}
	return fmt.Errorf("the server ended the connection within a frame: %w", io.ErrUnexpectedEOF)
}

// complaint is a reason that a server gives for ending something.
type complaint struct {
	what   string
	status ua.StatusCode
	reason string
}

func (e *complaint) Error() string {
	text := e.what + ": " + e.status.Error()
	if e.reason != "" {
		text += " (" + strconv.Quote(e.reason) + ")"
	}
	return text
}

func (e *complaint) Unwrap() error { return e.status }

// complaintOf reads a status and a text. Without a bad status it is an end like
// any other.
func complaintOf(what string, in []byte) error {
	if len(in) < 4 || le.Uint32(in)>>30 < 2 {
		return fmt.Errorf("%s: %w", what, io.EOF)
	}
	e := &complaint{what: what, status: ua.StatusCode(le.Uint32(in))}
	if reason, _, ok := field(in[4:]); ok {
		e.reason = string(reason[:min(len(reason), mostReason)])
	}
	return e
}

// field cuts a text or a string of bytes off; ok is false when there is none.
func field(in []byte) (value, rest []byte, ok bool) {
	if len(in) < 4 {
		return nil, nil, false
	}
	n := le.Uint32(in)
	in = in[4:]
	if n == absent {
		return nil, in, true
	}
	if uint64(n) > uint64(len(in)) {
		return nil, nil, false
	}
	return in[:n], in[n:], true
}

// absent is the length of a text, a string of bytes or an array that is not
// there.
const absent = 1<<32 - 1
