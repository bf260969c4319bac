//go:build unix

package gateway

import (
	"io/fs"
	"os/user"
	"strconv"
	"syscall"
)

// ownerOf names the user that a file belongs to, and is empty where that is not
// known.
func ownerOf(info fs.FileInfo) string {
	s, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return ""
	}
	id := strconv.FormatUint(uint64(s.Uid), 10)
	if u, err := user.LookupId(id); err == nil {
		return u.Username
	}
	return "user " + id
}
