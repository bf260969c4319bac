//go:build linux || darwin

package checkup

import "syscall"

// FreeRoom is the bytes that are free for this account on the disk of a folder.
func FreeRoom(folder string) (uint64, error) {
	var s syscall.Statfs_t
	if err := syscall.Statfs(folder, &s); err != nil {
		return 0, err
	}
	return s.Bavail * uint64(s.Bsize), nil
}
