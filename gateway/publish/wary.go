package publish

import (
	"fmt"
	"net"
	"time"

	"github.com/eclipse/paho.golang/packets"
)

// wary is a connection to a broker that is believed little: a packet that a mere
// publisher is not sent, or one that is too long, ends it before anything is made of
// it, and a broker that takes no more bytes is not waited for.
type wary struct {
	net.Conn
	left   int  // bytes of the packet at hand that are still to come
	length int  // of the packet, as far as it was read
	shift  int  // of the next digit of that length
	begun  bool // a header is being read
}

// Write writes within the time that a broker is waited for.
func (w *wary) Write(b []byte) (int, error) {
	if err := w.SetWriteDeadline(time.Now().Add(patience)); err != nil {
		return 0, err
	}
	return w.Conn.Write(b)
}

// Read reads what was looked at.
func (w *wary) Read(b []byte) (int, error) {
	n, err := w.Conn.Read(b)
	for i := 0; i < n; {
		if w.left > 0 {
			skip := min(w.left, n-i)
			w.left -= skip
			i += skip
			continue
		}
		if bad := w.header(b[i]); bad != nil {
			return 0, bad
		}
		i++
	}
	return n, err
}

// header takes the next byte of the fixed header of a packet: its kind, then its
// length in digits of seven bits.
func (w *wary) header(c byte) error {
	if !w.begun {
		switch kind := c >> 4; kind {
		case packets.CONNACK, packets.PUBACK, packets.PINGRESP, packets.DISCONNECT:
		default:
			return fmt.Errorf("the broker sent a packet of kind %d, which nobody asked for", kind)
		}
		w.begun, w.length, w.shift = true, 0, 0
		return nil
	}
	w.length |= int(c&0x7F) << w.shift
	w.shift += 7
	if w.length > largestAnswer || w.shift > 28 {
		return fmt.Errorf("the broker sent a packet of more than %d bytes", largestAnswer)
	}
	if c&0x80 == 0 {
		w.begun, w.left = false, w.length
	}
	return nil
}
