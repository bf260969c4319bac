package control

import (
	"os"
	"os/user"
	"slices"
	"strconv"
)

// Caller is who sent a command, as the operating system tells it: nobody can claim
// to be somebody else. The zero value is nobody.
type Caller struct {
	User string // name, or "user 1001" for one without a name; empty for nobody
	// Trusted is root and the user of the daemon, who may do everything: they could
	// replace the daemon.
	Trusted bool
	Groups  []string // by name, or number where a group has none
}

// In reports whether the caller is in a group of the operating system. Nobody is in
// the group without a name.
func (c *Caller) In(group string) bool { return group != "" && slices.Contains(c.Groups, group) }

// Daemon is the daemon itself, for what it does without a command.
func Daemon() Caller { return callerOf(ownPeer()) }

// peer is a user with a primary group, by their numbers.
type peer struct{ uid, gid uint32 }

func ownPeer() peer { return peer{uint32(os.Getuid()), uint32(os.Getgid())} }

// callerOf is the caller with the names and groups that the system has for a peer, which may
// have to ask a server for them.
func callerOf(p peer) Caller {
	number := strconv.FormatUint(uint64(p.uid), 10)
	c := Caller{User: "user " + number, Trusted: p.uid == 0 || int(p.uid) == os.Getuid()}
	groups := []string{strconv.FormatUint(uint64(p.gid), 10)}
	if u, err := user.LookupId(number); err == nil {
		c.User = u.Username
		if more, err := u.GroupIds(); err == nil {
			groups = append(groups, more...)
		}
	}
	for _, id := range groups {
		name := id
		if g, err := user.LookupGroupId(id); err == nil {
			name = g.Name
		}
		if !slices.Contains(c.Groups, name) {
			c.Groups = append(c.Groups, name)
		}
	}
	return c
}
