//go:build unix

package journal

import (
	"io/fs"

	"golang.org/x/sys/unix"
)

// readable reports why a file cannot be read. It does not open it: to close a file takes
// away the locks that the whole process has on it, those of a journal that is open among
// them, and another program would then take the journal for closed.
func readable(path string) error {
	if err := unix.Faccessat(unix.AT_FDCWD, path, unix.R_OK, unix.AT_EACCESS); err != nil {
		return &fs.PathError{Op: "read", Path: path, Err: err}
	}
	return nil
}
