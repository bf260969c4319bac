//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package journal

import (
	"os"
	"syscall"
)

// fileID tells a file from every other. While a file is held open, no other one
// gets its number.
type fileID struct {
	device, inode, links uint64
}

func identify(info os.FileInfo) (fileID, bool) {
	s, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return fileID{}, false
	}
	return fileID{device: uint64(s.Dev), inode: s.Ino, links: uint64(s.Nlink)}, true //nolint:unconvert // other systems have other types
}
