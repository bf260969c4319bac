package engine

import (
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// unacknowledged is how long data that was sent may wait for the other side's system.
const unacknowledged = 3 * time.Second

// boundUnacknowledged has the system end a connection whose peer is cut off while data
// is on its way, which keep-alives do not tell.
func boundUnacknowledged(network, _ string, c syscall.RawConn) error {
	if !strings.HasPrefix(network, "tcp") {
		return nil
	}
	var failed error
	err := c.Control(func(fd uintptr) {
		failed = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_USER_TIMEOUT, int(unacknowledged.Milliseconds()))
	})
	if err != nil {
		return err
	}
	return failed
}
