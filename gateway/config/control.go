package config

import (
	"path/filepath"
	"time"
)

// Control is the channel through which the commands of an operator reach the
// daemon.
type Control struct {
	Socket string `cfg:"socket" default:"" path:"true" doc:"Unix socket for the commands to the daemon, for its user and the group lapgate where there is one; empty for control.sock in the directory of the journal; none for no such commands"`
	Groups Groups `cfg:"groups" doc:"group of the operating system whose members may give a command; empty for root and the user of the daemon alone, who may give every one. Whoever reaches the socket may disarm a line and hold its rolls"`
}

// Groups name, by command, the group of the operating system whose members may give
// it.
type Groups struct {
	Arm           string `cfg:"arm" default:"" doc:"who may allow writing to a controller"`
	EndHold       string `cfg:"end_hold" default:"" doc:"who may end a hold of all rolls"`
	Override      string `cfg:"override" default:"" doc:"who may choose setpoints for a roll"`
	Confirm       string `cfg:"confirm" default:"" doc:"who may answer for a roll that is held until a person has seen to it"`
	Hang          string `cfg:"hang" default:"" doc:"who may tell what hangs in a slot"`
	Station       string `cfg:"station" default:"" doc:"who may have a station worked by hand"`
	Restart       string `cfg:"restart" default:"" doc:"who may have a line served again that has ended"`
	AcceptJournal string `cfg:"accept_journal" default:"" doc:"who may have a line go on with a journal that is doubted, or register a journal anew with the engine"`
	Correct       string `cfg:"correct" default:"" doc:"who may record that an earlier record of an act is wrong"`
	Takeover      string `cfg:"takeover" default:"" doc:"who may have this machine of a pair act on a line while the engine is away"`
	Reload        string `cfg:"reload" default:"" doc:"who may put another configuration in force"`
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

// Arming says what becomes of the right to write when the daemon was away or the
// controller is another.
type Arming struct {
	Away time.Duration `cfg:"away" unit:"time" default:"15 min" range:"0 s..24 h" doc:"a line whose arming lasts over a restart of the daemon is armed again when nobody served it for less than this; else it is in shadow until somebody arms it"`
	Swap string        `cfg:"swap" one_of:"disarm,keep" default:"disarm" doc:"whether a line that is being served stays armed when its controller comes back without its memory or with another register map, as one that was exchanged does: disarm or keep"`
}

// KeepsSwap reports whether arming outlives an exchange of the controller.
func (a Arming) KeepsSwap() bool { return a.Swap == "keep" }
