package link

import (
	"errors"
	"fmt"
	"strings"

	"lapgate/gateway/handshake"
)

// String returns the class in one word.
func (c Class) String() string {
	switch c {
	case Refused:
		return "refused"
	case NoAccess:
		return "no access"
	case NoData:
		return "no data"
	case Unknown:
		return "unknown"
	case Down:
		return "down"
	case ConfigClass:
		return "config"
	}
	return fmt.Sprintf("class %d", uint8(c))
}

// Error names the call and the block, says what may be concluded, and ends
// with the remedy.
func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.Op)
	if e.Op != "dial" {
		b.WriteByte(' ')
		b.WriteString(e.Block.String())
	}
	switch {
	case e.Class == Unknown && e.Op == "write":
		b.WriteString(": no valid answer, the write may have landed or may land later")
	case e.Class == Unknown:
		b.WriteString(": no valid answer")
	case e.Class.Answered():
		b.WriteString(": " + e.Class.String())
	case e.Class == Down:
		b.WriteString(": link down")
	case e.Class == ConfigClass:
		b.WriteString(": cannot work as configured")
	}
	if e.Err != nil {
		b.WriteString(": ")
		b.WriteString(e.Err.Error())
	}
	if e.Help != "" {
		b.WriteString("; ")
		b.WriteString(e.Help)
	}
	return b.String()
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// ClassOf returns the class of a port's error, and 0 for any other error and
// for nil.
func ClassOf(err error) Class {
	var e *Error
	if errors.As(err, &e) {
		return e.Class
	}
	return 0
}

// CheckWrite is the one place that decides what may be written to a
// controller: a whole, well-formed block of the five that the gateway owns.
// Every adapter calls it before it touches the wire. Errors are *Error of
// ConfigClass; the port stays usable.
func CheckWrite(b handshake.ID, words []uint16) error {
	if err := CheckForged(b, words); err != nil {
		return err
	}
	if err := handshake.Verify(b, words); err != nil {
		return &Error{Op: "write", Block: b, Class: ConfigClass, Err: err,
			Help: "this is a fault of the gateway; report it"}
	}
	return nil
}

// CheckForged decides what a Forger may write: as many registers as one of the
// five blocks has that the gateway owns. Errors are those of CheckWrite.
func CheckForged(b handshake.ID, words []uint16) error {
	e := &Error{Op: "write", Block: b, Class: ConfigClass, Help: "this is a fault of the gateway; report it"}
	switch want := handshake.Words(b); {
	case !handshake.GatewayOwned(b):
		e.Err = errors.New("the block belongs to the controller")
	case len(words) != want:
		e.Err = &handshake.DecodeError{Block: b, Cause: handshake.CauseLength, Got: uint32(len(words)), Want: uint32(want)}
	default:
		return nil
	}
	return e
}

// CheckRead checks that every span names a block, an entry that exists, and
// room of the right length. Errors are *Error of ConfigClass; the port stays
// usable.
func CheckRead(spans []Span) error {
	for _, s := range spans {
		var err error
		switch want := handshake.Words(s.Block); {
		case want == 0:
			err = errors.New("no such block")
		case len(s.Dst) != want:
			err = fmt.Errorf("room for %d registers given, want %d", len(s.Dst), want)
		case s.Block == handshake.OUT && (s.Entry < 0 || s.Entry >= handshake.OutEntries):
			err = fmt.Errorf("entry %d of the ring, want 0 to %d", s.Entry, handshake.OutEntries-1)
		case s.Block != handshake.OUT && s.Entry != 0:
			err = fmt.Errorf("entry %d of a block that has no entries", s.Entry)
		}
		if err != nil {
			return &Error{Op: "read", Block: s.Block, Class: ConfigClass, Err: err,
				Help: "this is a fault of the gateway; report it"}
		}
	}
	return nil
}
