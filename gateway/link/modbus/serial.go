package modbus

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"slices"
	"sync"
	"time"

	"github.com/goburrow/modbus"
	"github.com/goburrow/serial"
)

// Frame sizes of Modbus RTU: unit, function, data, checksum.
const (
	serialMost      = 256
	serialException = 5
	serialConfirm   = 8
)

// serialSlice cuts the waiting into pieces: a serial read cannot be interrupted
// by the end of a context.
const serialSlice = 2 * time.Millisecond

// Serial describes a serial line.
type Serial struct {
	Device   string // such as /dev/ttyUSB0
	Baud     int    // bits per second
	Parity   string // none, even or odd
	StopBits int    // 1 or 2
	// Slowest is the longest time after which a device may still answer. When
	// an answer failed to come, nothing is sent for this long, so that a late
	// one cannot be taken for the answer to the next request. It is at least
	// the request timeout.
	Slowest time.Duration
}

func (s Serial) check(conf Config) []error {
	var bad []error
	if s.Device == "" {
		bad = append(bad, errors.New("serial device is not set, want a path such as /dev/ttyUSB0"))
	}
	if s.Baud < 1200 || s.Baud > 4_000_000 {
		bad = append(bad, fmt.Errorf("serial speed is %d bit/s, want 1200 to 4000000", s.Baud))
	}
	if !slices.Contains([]string{"none", "even", "odd"}, s.Parity) {
		bad = append(bad, fmt.Errorf("serial parity is %q, want none, even or odd", s.Parity))
	}
	if s.StopBits != 1 && s.StopBits != 2 {
		bad = append(bad, fmt.Errorf("serial stop bits are %d, want 1 or 2", s.StopBits))
	}
	if conf.Unit < 1 || conf.Unit > 247 {
		bad = append(bad, fmt.Errorf("unit identifier is %d, want 1 to 247 on a serial line", conf.Unit))
	}
	if s.Slowest < conf.Timeout {
		bad = append(bad, fmt.Errorf("slowest answer is %v, want at least the request timeout of %v", s.Slowest, conf.Timeout))
	}
	return bad
}

// silence is the rest between frames: three and a half characters, and from
// above 19200 bit/s on 1.75 ms (Modbus over Serial Line V1.02, 2.5.1.1).
func (s Serial) silence() time.Duration {
	if s.Baud > 19200 {
		return 1750 * time.Microsecond
	}
	return s.passage(1) * 7 / 2
}

// passage is the time that n characters take on the line.
func (s Serial) passage(n int) time.Duration {
	bits := 1 + 8 + s.StopBits
	if s.Parity != "none" {
		bits++
	}
	return time.Duration(n*bits) * time.Second / time.Duration(s.Baud)
}

// Bus is a serial line that any number of ports share: one request at a time
// is on it, and the device is open while any port is.
type Bus struct {
	line  Serial
	free  chan struct{} // whoever took the token out has the line
	quiet time.Time     // nothing is sent before; belongs to the holder of the token

	mu    sync.Mutex
	ports int
	dev   serial.Port
}

// NewBus describes a line; nothing is opened. All devices on one line share
// one bus.
func NewBus(line Serial) *Bus {
	b := &Bus{line: line, free: make(chan struct{}, 1)}
	b.free <- struct{}{}
	return b
}

// NewRTU makes a dialer for Modbus RTU and one unit on the bus. The error
// names every problem at once.
func NewRTU(b *Bus, conf Config) (*Dialer, error) {
	d, err := newDialer(conf, b.line.check(conf))
	if err != nil {
		return nil, err
	}
	d.overSerial(b)
	return d, nil
}

// overSerial has the dialer join the bus.
func (d *Dialer) overSerial(b *Bus) {
	d.help = func(err error) string { return serialHelp(b.line.Device, err) }
	d.open = func(context.Context) (transport, modbus.Packager, error) {
		dev, err := b.join()
		if err != nil {
			return nil, nil, err
		}
		h := modbus.NewRTUClientHandler(b.line.Device)
		h.SlaveId = d.conf.Unit
		return &rtu{dev: dev, bus: b, timeout: d.conf.Timeout, packager: h}, h, nil
	}
}

// join opens the device for the first port.
func (b *Bus) join() (serial.Port, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.ports == 0 {
		dev, err := serial.Open(&serial.Config{
			Address:  b.line.Device,
			BaudRate: b.line.Baud,
			DataBits: 8,
			StopBits: b.line.StopBits,
			Parity:   map[string]string{"none": "N", "even": "E", "odd": "O"}[b.line.Parity],
			Timeout:  serialSlice,
		})
		if err != nil {
			return nil, err
		}
		b.dev = dev
	}
	b.ports++
	return b.dev, nil
}

// leave closes the device after the last port.
func (b *Bus) leave() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.ports--; b.ports > 0 {
		return nil
	}
	return b.dev.Close()
}

// rtu carries frames of Modbus RTU for one port.
type rtu struct {
	dev      serial.Port
	bus      *Bus
	timeout  time.Duration
	packager modbus.Packager
	ctx      context.Context
	wrote    bool
	closing  sync.Once
	buf      [serialMost]byte
}

func (r *rtu) begin(ctx context.Context) { r.ctx, r.wrote = ctx, false }

func (r *rtu) end() { r.ctx = nil }

func (r *rtu) sent() bool { return r.wrote }

func (r *rtu) Close() (err error) {
	r.closing.Do(func() { err = r.bus.leave() })
	return err
}

// Send takes the line, waits until it is quiet, throws away what stands in the
// device's buffer, writes a frame and reads the one that answers it.
func (r *rtu) Send(request []byte) (answer []byte, err error) {
	r.wrote = false
	select {
	case <-r.bus.free:
		defer func() { r.bus.free <- struct{}{} }()
	case <-r.ctx.Done():
		return nil, r.ctx.Err()
	}
	if err := pause(r.ctx, time.Until(r.bus.quiet)); err != nil {
		return nil, err
	}
	if err := r.drain(); err != nil {
		return nil, err
	}
	n, err := r.dev.Write(request)
	r.wrote = n > 0
	defer func() {
		rest := r.bus.line.silence()
		if err != nil && r.wrote {
			rest = r.bus.line.Slowest + r.bus.line.passage(len(request)+answerLength(request))
		}
		r.bus.quiet = time.Now().Add(rest)
	}()
	if err != nil {
		return nil, err
	}
	if n < len(request) {
		return nil, io.ErrShortWrite
	}
	answer, err = r.receive(request)
	if err != nil {
		return nil, err
	}
	if answer[0] != request[0] {
		return nil, fmt.Errorf("answer is from unit %d, want %d", answer[0], request[0])
	}
	if _, err := r.packager.Decode(answer); err != nil {
		return nil, err
	}
	return answer, checkPDU(request[1:len(request)-2], answer[1:len(answer)-2])
}

// receive reads until the frame that its first bytes announce is whole.
func (r *rtu) receive(request []byte) ([]byte, error) {
	patience := r.timeout + r.bus.line.passage(len(request)+answerLength(request))
	until := time.Now().Add(patience)
	n, want := 0, serialException
	for n < want {
		if err := r.ctx.Err(); err != nil {
			return nil, err
		}
		if !time.Now().Before(until) {
			return nil, fmt.Errorf("%d bytes came within %v, want %d: %w", n, patience, want, context.DeadlineExceeded)
		}
		got, err := r.dev.Read(r.buf[n:])
		if errors.Is(err, serial.ErrTimeout) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if got <= 0 {
			return nil, io.ErrUnexpectedEOF
		}
		if n += got; n >= 3 {
			if want, err = frameLength(request, r.buf[:n]); err != nil {
				return nil, err
			}
		}
	}
	if n > want {
		return nil, fmt.Errorf("%d bytes came behind the answer, want none", n-want)
	}
	return r.buf[:want], nil
}

// answerLength is the length of the answer that confirms a request.
func answerLength(request []byte) int {
	if isRead(request[1]) {
		return 5 + 2*int(binary.BigEndian.Uint16(request[4:]))
	}
	return serialConfirm
}

func isRead(function byte) bool {
	return function == modbus.FuncCodeReadHoldingRegisters || function == modbus.FuncCodeReadInputRegisters
}

// frameLength reads the length of an answer from its first three bytes.
func frameLength(request, head []byte) (int, error) {
	switch head[1] {
	case request[1] | exceptionBit:
		return serialException, nil
	case request[1]:
		if isRead(request[1]) {
			return 5 + int(head[2]), checkRoom(5 + int(head[2]))
		}
		return serialConfirm, nil
	}
	return 0, fmt.Errorf("answer is to function %d, want %d", head[1], request[1])
}

func checkRoom(n int) error {
	if n > serialMost {
		return fmt.Errorf("answer announces %d bytes, want at most %d", n, serialMost)
	}
	return nil
}

// drain throws away what came unasked, until nothing comes for one slice.
func (r *rtu) drain() error {
	for range 1000 {
		n, err := r.dev.Read(r.buf[:])
		if errors.Is(err, serial.ErrTimeout) {
			return nil
		}
		if err != nil {
			return err
		}
		if n <= 0 {
			return io.ErrUnexpectedEOF
		}
		if err := r.ctx.Err(); err != nil {
			return err
		}
	}
	return errors.New("the line is never quiet: another master or a faulty device is on it")
}

func pause(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return ctx.Err()
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
