//go:build unix

package config

import (
	"io/fs"
	"syscall"
)

// isCredential reports whether a file has the permissions of a credential of systemd,
// where an access list lets the service read it: 0440 of root and root's group. The
// bit of the group is then only how the list shows.
func isCredential(info fs.FileInfo) bool {
	s, ok := info.Sys().(*syscall.Stat_t)
	return ok && s.Uid == 0 && s.Gid == 0 && info.Mode().Perm() == 0o440
}
