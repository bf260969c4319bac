package config

import "path/filepath"

// Control is the channel through which the commands of an operator reach the
// daemon.
type Control struct {
	Socket string `cfg:"socket" default:"control.sock" doc:"Unix socket for the commands arm, disarm, hold and reload, only for the user of the daemon; relative to the directory of the journal; none for no such commands"`
}

// Off reports whether the daemon takes no commands.
func (c Control) Off() bool { return c.Socket == controlOff }

const controlOff = "none"

// Socket is the path of the control socket, or empty when there is none.
func (s *Snapshot) Socket() string {
	switch {
	case s.Control.Off():
		return ""
	case filepath.IsAbs(s.Control.Socket):
		return s.Control.Socket
	}
	return filepath.Join(s.Journal.Directory, s.Control.Socket)
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
