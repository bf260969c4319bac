// Package connect makes the dialer of a configured line: which transport, with
// which addresses, keys and users, over blocks or over tags.
package connect

import (
	"lapgate/gateway/config"
	"lapgate/gateway/link"
)

// Dialers makes the dialers of one process. Lines that share a serial device
// share its bus, so that their requests take turns. It may be used by several
// goroutines.
type Dialers struct {
	// Lookup finds a variable of the environment that is not empty: a password
	// may stand there.
	Lookup func(name string) (value string, ok bool)

	buses buses
}

// Of returns the dialer of a line. What works but should not stay so is told
// to warn, which must not be nil. An error means that the configuration names
// something that cannot be read or used, such as a key or a password.
func (d *Dialers) Of(l *config.Line, warn func(link.Warning)) (link.Dialer, error) {
	var over link.Dialer
	var err error
	if l.Controller.Protocol == config.OPCUA {
		over, err = d.opcua(l, warn)
	} else {
		over, err = d.modbus(l, warn)
	}
	if err == nil && l.Mapped != nil {
		return overTags(l, over)
	}
	return over, err
}
