package modbus_test

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
	"unsafe"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/link/linktest"
	"lapgate/gateway/link/modbus"
)

func ioctl(t testing.TB, f *os.File, op uintptr, arg unsafe.Pointer) {
	t.Helper()
	raw, err := f.SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	var errno syscall.Errno
	if err := raw.Control(func(fd uintptr) {
		_, _, errno = syscall.Syscall(syscall.SYS_IOCTL, fd, op, uintptr(arg))
	}); err != nil || errno != 0 {
		t.Fatal(err, errno)
	}
}

// serialPair opens a pseudo terminal: the near end is a serial device by its
// name, the far end is what hangs on the line. The near end is held open and
// raw throughout, as a real device is when nobody uses it.
func serialPair(t testing.TB) (far *os.File, device string) {
	t.Helper()
	far, err := os.OpenFile("/dev/ptmx", os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Skipf("no pseudo terminals here: %v", err)
	}
	var unlock, number int32
	ioctl(t, far, syscall.TIOCSPTLCK, unsafe.Pointer(&unlock))
	ioctl(t, far, syscall.TIOCGPTN, unsafe.Pointer(&number))
	device = fmt.Sprintf("/dev/pts/%d", number)
	near, err := os.OpenFile(device, os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	raw := syscall.Termios{Cflag: syscall.CS8 | syscall.CREAD | syscall.CLOCAL | syscall.B115200}
	ioctl(t, near, syscall.TCSETS, unsafe.Pointer(&raw))
	t.Cleanup(func() {
		_ = near.Close()
		_ = far.Close()
	})
	return far, device
}

// crc16 is written here again, bit by bit, so that the frames do not rest on
// the library alone.
func crc16(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc ^= uint16(c)
		for range 8 {
			crc = crc>>1 ^ 0xA001*(crc&1)
		}
	}
	return crc
}

// serialDevice answers Modbus RTU as unit 7.
type serialDevice struct {
	registers
	far  *os.File
	done sync.WaitGroup
	held []byte // an answer that Release sends
}

func newSerialDevice(t testing.TB) (*serialDevice, string) {
	far, name := serialPair(t)
	return hangOn(t, far), name
}

// hangOn has a device answer at the far end of a line.
func hangOn(t testing.TB, far *os.File) *serialDevice {
	d := &serialDevice{far: far}
	d.layout = layout(t)
	d.done.Go(d.serve)
	t.Cleanup(func() {
		_ = far.Close()
		d.done.Wait()
	})
	return d
}

func (d *serialDevice) serve() {
	var buf []byte
	chunk := make([]byte, 512)
	for {
		n, err := d.far.Read(chunk)
		if err != nil {
			return
		}
		buf = append(buf, chunk[:n]...)
		for {
			want := 8
			if len(buf) >= 7 && buf[1] == 16 {
				want = 9 + int(buf[6])
			} else if len(buf) >= 2 && buf[1] == 16 {
				break
			}
			if len(buf) < want {
				break
			}
			request := slices.Clone(buf[:want])
			buf = buf[want:]
			if binary.LittleEndian.Uint16(request[want-2:]) == crc16(request[:want-2]) {
				d.reply(request[0], request[1:want-2])
			}
		}
	}
}

func serialFrame(unit byte, pdu []byte) []byte {
	out := append([]byte{unit}, pdu...)
	return binary.LittleEndian.AppendUint16(out, crc16(out))
}

func (d *serialDevice) reply(unit byte, pdu []byte) {
	fault, except := d.take()
	send := func(b []byte) { _, _ = d.far.Write(b) }
	if except != 0 {
		whole := serialFrame(unit, []byte{pdu[0] | 0x80, except})
		send(whole[:4])
		send(whole[4:])
		return
	}
	switch fault {
	case linktest.Refuse:
		send(serialFrame(unit, []byte{pdu[0] | 0x80, 2}))
		return
	case linktest.BlackHole:
		return
	case linktest.Late:
		d.mu.Lock()
		d.late = func() {
			d.mu.Unlock()
			d.answer(pdu)
			d.mu.Lock()
		}
		d.mu.Unlock()
		return
	}
	right := d.answer(pdu)
	whole := serialFrame(unit, right)
	switch fault {
	case noiseBefore:
		whole = append([]byte{0xFF, 0x81}, whole...)
	case lateAnswer:
		d.mu.Lock()
		d.held = whole
		d.mu.Unlock()
		return
	case linktest.ShortReply:
		short := slices.Clone(right[:len(right)-2])
		if short[0] <= 4 {
			short[1] -= 2
		}
		whole = serialFrame(unit, short)
	case linktest.CutReply:
		whole = whole[:len(whole)/2]
	case linktest.WrongUnit:
		whole = serialFrame(unit+1, right)
	case linktest.WrongFunction:
		right[0] ^= 7
		whole = serialFrame(unit, right)
	case linktest.WrongEcho:
		if right[0] > 4 {
			right[2]++
			whole = serialFrame(unit, right)
		}
	case linktest.Noise:
		whole[len(whole)-4] ^= 0x10
	case linktest.Segmented:
		for _, b := range whole {
			send([]byte{b})
		}
		return
	}
	send(whole)
}

// lateAnswer holds an answer back until Release, when the request it belongs
// to has long been given up.
const lateAnswer linktest.Fault = "late answer"

// holds reports whether an answer is held back.
func (d *serialDevice) holds() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.held != nil
}

// Release sends the answer held back.
func (d *serialDevice) Release() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	held := d.held
	d.held = nil
	_, err := d.far.Write(held)
	return len(held) > 0 && err == nil
}

func serialConfig(t testing.TB, wait time.Duration) modbus.Config {
	c := config(t)
	c.Timeout = wait
	return c
}

func bus(device string, slowest time.Duration) *modbus.Bus {
	return modbus.NewBus(modbus.Serial{Device: device, Baud: 115200, Parity: "even", StopBits: 1, Slowest: slowest})
}

func TestSuiteOverRTU(t *testing.T) {
	if testing.Short() {
		t.Skip("a serial line waits in real time")
	}
	linktest.Run(t, func(t *testing.T) *linktest.Harness {
		d, name := newSerialDevice(t)
		return serialHarness(t, d, name)
	})
}

func serialHarness(t *testing.T, d *serialDevice, name string) *linktest.Harness {
	const wait = time.Second // a device of the test answers within it on a busy machine too
	dialer := must[*modbus.Dialer](t)
	return &linktest.Harness{
		Dialer:  dialer(modbus.NewRTU(bus(name, wait), serialConfig(t, wait))),
		Nowhere: dialer(modbus.NewRTU(bus(name+"0", wait), serialConfig(t, wait))),
		Load:    d.Load, Store: d.Store, Requests: d.Requests,
		Faults: []linktest.Fault{linktest.Refuse, linktest.BlackHole, linktest.Late, linktest.ShortReply,
			linktest.WrongUnit, linktest.WrongFunction, linktest.WrongEcho, linktest.Noise, linktest.Segmented},
		Play: d.Play, Land: d.Land,
	}
}

// socatPair has socat join two serial devices of its own making.
func socatPair(t testing.TB) (far *os.File, device string) {
	t.Helper()
	socat, err := exec.LookPath("socat")
	if err != nil {
		t.Skip("socat is not installed")
	}
	dir := t.TempDir()
	device, other := filepath.Join(dir, "near"), filepath.Join(dir, "far")
	cmd := exec.Command(socat, "-d", "-d", "pty,rawer,link="+device, "pty,rawer,link="+other)
	says, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // it was killed
	})
	var said []string
	for lines := bufio.NewScanner(says); lines.Scan(); {
		said = append(said, lines.Text())
		if strings.Contains(lines.Text(), "data transfer loop") {
			go func() { _, _ = io.Copy(io.Discard, says) }()
			far, err := os.OpenFile(other, os.O_RDWR|syscall.O_NOCTTY, 0)
			if err != nil {
				t.Fatal(err)
			}
			return far, device
		}
	}
	t.Fatalf("socat did not begin: %s", strings.Join(said, "; "))
	return nil, ""
}

// TestSuiteOverSocat holds the suite over a line that was not made here.
func TestSuiteOverSocat(t *testing.T) {
	if testing.Short() {
		t.Skip("a serial line waits in real time")
	}
	linktest.Run(t, func(t *testing.T) *linktest.Harness {
		far, name := socatPair(t)
		h := serialHarness(t, hangOn(t, far), name)
		h.Reconnects = 10 // for the way, not for the code, which is that of the other suite
		return h
	})
}

// TestSerialOtherFunctions holds functions 4 and 6 over a serial line.
func TestSerialOtherFunctions(t *testing.T) {
	d, name := newSerialDevice(t)
	d.inputs, d.single = true, true
	conf := serialConfig(t, 5*time.Second)
	conf.Reads, conf.Writes = modbus.ReadInput, modbus.WriteSingle
	p, err := must[*modbus.Dialer](t)(modbus.NewRTU(bus(name, 5*time.Second), conf)).Dial(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	d.Store(handshake.REQ, 0, []uint16{0x5251, 1, 7})
	span := link.Span{Block: handshake.REQ, Dst: make([]uint16, handshake.ReqWords)}
	if err := p.Read(t.Context(), span); err != nil || span.Dst[2] != 7 {
		t.Errorf("got %v, %d", err, span.Dst[2])
	}
	want, got := ackOf(t, 9), make([]uint16, handshake.AckWords)
	if err := p.Write(t.Context(), handshake.ACK, want); err != nil {
		t.Error(err)
	}
	if d.Load(handshake.ACK, 0, got); !slices.Equal(got, want) {
		t.Errorf("got %04X\nwant %04X", got, want)
	}
}

// A probe reads any registers of one unit of a serial line, and what cannot be a line is
// refused with all that is wrong.
func TestSerialProbe(t *testing.T) {
	d, name := newSerialDevice(t)
	d.Store(handshake.REQ, 0, []uint16{0x5251, 1, 7})
	line := bus(name, 5*time.Second)
	p, err := modbus.OpenSerialProbe(t.Context(), line, 7, 5*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	l := layout(t)
	words, _, err := p.Read(t.Context(), modbus.ReadHolding, l.Address(handshake.REQ, 0), 3)
	if err != nil || !slices.Equal(words, []uint16{0x5251, 1, 7}) {
		t.Errorf("got %04X, %v", words, err)
	}
	if err := p.Close(); err != nil {
		t.Error(err)
	}
	var refused *link.Error
	_, err = modbus.OpenSerialProbe(t.Context(), modbus.NewBus(modbus.Serial{Device: name, Baud: 1, Parity: "much", StopBits: 3}), 0, time.Second)
	if !errors.As(err, &refused) || refused.Class != link.ConfigClass || strings.Count(err.Error(), "want") != 5 {
		t.Errorf("got %v", err)
	}
}

// TestSerialNoiseBetweenFrames puts bytes on the line that nobody asked for,
// before a request and while its answer is waited for.
func TestSerialNoiseBetweenFrames(t *testing.T) {
	d, name := newSerialDevice(t)
	dialer := must[*modbus.Dialer](t)(modbus.NewRTU(bus(name, 2*time.Second), serialConfig(t, 2*time.Second)))
	p, err := dialer.Dial(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	span := link.Span{Block: handshake.ACK, Dst: make([]uint16, handshake.AckWords)}
	for range 10 {
		if _, err := d.far.Write([]byte{0xFF, 0x00, 0x55, 7, 3}); err != nil {
			t.Fatal(err)
		}
		if err := p.Read(t.Context(), span); err != nil {
			t.Fatalf("after noise that was over: %v", err)
		}
	}
	d.Play(noiseBefore)
	if err := p.Read(t.Context(), span); link.ClassOf(err) != link.Unknown {
		t.Errorf("noise before the answer: got %v, want unknown", err)
	}
	_ = p.Close()
	if p, err = dialer.Dial(t.Context()); err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	if err := p.Read(t.Context(), span); err != nil {
		t.Errorf("the next connection: %v", err)
	}
}

// noiseBefore puts two bytes before an answer.
const noiseBefore linktest.Fault = "noise before the answer"

// TestSerialLateAnswer gives up a read whose answer comes afterwards, and sees
// that the next read, of other registers of the same number, is not answered
// with it.
func TestSerialLateAnswer(t *testing.T) {
	d, name := newSerialDevice(t)
	dialer := must[*modbus.Dialer](t)(modbus.NewRTU(bus(name, 2*time.Second), serialConfig(t, 2*time.Second)))
	p, err := dialer.Dial(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for e, first := range []uint16{0x1111, 0x2222} {
		words := make([]uint16, handshake.OutWords)
		words[0] = first
		d.Store(handshake.OUT, e, words)
	}
	d.Play(lateAnswer)
	ctx, giveUp := context.WithCancel(t.Context())
	go func() {
		for !d.holds() && ctx.Err() == nil {
			<-time.After(time.Millisecond)
		}
		giveUp()
	}()
	defer giveUp()
	dst := make([]uint16, handshake.OutWords)
	if err := p.Read(ctx, link.Span{Block: handshake.OUT, Entry: 0, Dst: dst}); link.ClassOf(err) != link.Unknown {
		t.Fatalf("got %v, want unknown", err)
	}
	if !d.Release() {
		t.Fatal("no answer was held back")
	}
	_ = p.Close()
	if p, err = dialer.Dial(t.Context()); err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	if err := p.Read(t.Context(), link.Span{Block: handshake.OUT, Entry: 1, Dst: dst}); err != nil || dst[0] != 0x2222 {
		t.Errorf("got %04X, %v, want 2222", dst[0], err)
	}
}

// TestSerialSplitException sends exceptions in pieces of four bytes and one.
func TestSerialSplitException(t *testing.T) {
	d, name := newSerialDevice(t)
	dialer := must[*modbus.Dialer](t)(modbus.NewRTU(bus(name, 5*time.Second), serialConfig(t, 5*time.Second)))
	p, err := dialer.Dial(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	for range 20 {
		d.mu.Lock()
		d.except = 6
		d.mu.Unlock()
		err := p.Read(t.Context(), link.Span{Block: handshake.ACK, Dst: make([]uint16, handshake.AckWords)})
		if link.ClassOf(err) != link.Refused || !strings.Contains(err.Error(), "busy") {
			t.Fatalf("got %v, want refused as busy", err)
		}
	}
}

// TestSerialLineIsShared uses one line from several goroutines, each with a
// port of its own.
func TestSerialLineIsShared(t *testing.T) {
	d, name := newSerialDevice(t)
	dialer := must[*modbus.Dialer](t)(modbus.NewRTU(bus(name, 5*time.Second), serialConfig(t, 5*time.Second)))
	for e := range 4 {
		words := make([]uint16, handshake.OutWords)
		words[1] = uint16(e + 1)
		d.Store(handshake.OUT, e, words)
	}
	var all sync.WaitGroup
	for e := range 4 {
		all.Go(func() {
			p, err := dialer.Dial(context.Background())
			if err != nil {
				t.Error(err)
				return
			}
			defer p.Close()
			dst := make([]uint16, handshake.OutWords)
			for range 20 {
				if err := p.Read(context.Background(), link.Span{Block: handshake.OUT, Entry: e, Dst: dst}); err != nil || dst[1] != uint16(e+1) {
					t.Errorf("entry %d: got %d, %v", e, dst[1], err)
					return
				}
			}
		})
	}
	all.Wait()
}
