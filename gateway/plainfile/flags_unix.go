//go:build unix

package plainfile

import "syscall"

const (
	withoutWaiting = syscall.O_NONBLOCK
	withoutLinks   = syscall.O_NOFOLLOW
)
