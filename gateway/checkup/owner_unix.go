//go:build unix

package checkup

import (
	"io/fs"
	"os/user"
	"strconv"
	"syscall"
)

// Owner is the account that owns a file, by its name where it has one, and empty where
// the system does not tell.
func Owner(info fs.FileInfo) string {
	s, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return ""
	}
	id := strconv.FormatUint(uint64(s.Uid), 10)
	if u, err := user.LookupId(id); err == nil {
		return u.Username
	}
	return id
}
