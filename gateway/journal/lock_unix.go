//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package journal

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"syscall"
)

// lockFile takes the lock that lets one process write. It ends with the
// process, whichever way that ends.
func lockFile(path string) (*os.File, error) {
	f, err := os.OpenFile(path+lockEnding, os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return nil, fmt.Errorf("journal %s: lock: %w", path, err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		held := make([]byte, 32)
		n, _ := f.ReadAt(held, 0)
		by := "another process"
		if pid := strings.TrimSpace(string(held[:n])); pid != "" {
			by = "process " + pid
		}
		if errors.Is(err, syscall.EWOULDBLOCK) {
			err = fmt.Errorf("%w by %s; stop it first, or give this one a journal of its own", ErrInUse, by)
		}
		return nil, errors.Join(fmt.Errorf("journal %s: %w", path, err), f.Close())
	}
	// The number is for the message above only, so a failure to write it is
	// no reason to stop.
	if f.Truncate(0) == nil {
		_, _ = fmt.Fprintf(f, "%d\n", os.Getpid())
	}
	return f, nil
}
