package config

import "path/filepath"

// Control is the channel through which the commands of an operator reach the
// daemon.
type Control struct {
	Socket string `cfg:"socket" default:"" path:"true" doc:"Unix socket for the commands to the daemon, only for its user; empty for control.sock in the directory of the journal; none for no such commands"`
}

// socketName is the control socket in the directory of the journal.
const socketName = "control.sock"

// Socket is the path of the control socket, or empty when the daemon takes no
// commands.
func (s *Snapshot) Socket() string {
	switch s.Control.Socket {
	case none:
		return ""
	case "":
		return filepath.Join(s.Journal.Directory, socketName)
	}
	return s.Control.Socket
}

const armingKeep = "keep"

// Arming says what becomes of the right to write when the daemon starts anew
// or the controller is another.
type Arming struct {
	Restart string `cfg:"restart" one_of:"disarm,keep" default:"disarm" doc:"whether a line that was armed by command is armed after a restart of the daemon: disarm or keep; a line that was disarmed by command stays so in either case"`
	Swap    string `cfg:"swap" one_of:"disarm,keep" default:"disarm" doc:"whether a line stays armed when its controller comes back without its memory or with another register map, as one that was exchanged does: disarm or keep"`
}

// KeepsRestart reports whether arming outlives a restart of the daemon.
func (a Arming) KeepsRestart() bool { return a.Restart == armingKeep }

// KeepsSwap reports whether arming outlives an exchange of the controller.
func (a Arming) KeepsSwap() bool { return a.Swap == armingKeep }
