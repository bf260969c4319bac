package config

import (
	"net"
	"net/url"
)

// checkExceptions warns of what is right for a simulated controller on this machine and
// hardly for one of a mill.
func (d *decoder) checkExceptions(l *line, path string) {
	controller := join(path, "controller")
	if !d.good(controller) || Loopback(l.Controller.host()) {
		return
	}
	// A serial line is a cable that nobody else is on.
	if key := join(controller, "plain"); l.Controller.Plain && l.Controller.Protocol != ModbusRTU {
		d.warning(d.where(key), key, "link without encryption or login, other than on loopback", "true", "modbus-tls, or OPC UA with a security policy, where the controller has it",
			"see that nobody else reaches the network of the controller: whoever does may write to it")
	}
	if key := join(path, "arming.swap"); d.good(key) && l.Arming.KeepsSwap() {
		d.warning(d.where(key), key, "line stays armed when its controller is exchanged, other than on loopback", `"keep"`, "disarm, as for every controller that moves a machine",
			"remove it: it is for a simulator that loses its memory on purpose")
	}
}

// host is where a controller is reached, empty for a serial line.
func (c *Controller) host() string {
	switch c.Protocol {
	case ModbusRTU:
		return ""
	case OPCUA:
		if u, err := url.Parse(c.Address); err == nil {
			return u.Hostname()
		}
		return ""
	}
	host, _, _ := net.SplitHostPort(c.Address)
	return host
}
