package control

import (
	"net"
	"syscall"
)

// sharedMode are the permissions of the socket: who is in its group may send
// commands, and what each may do is decided by who sent it.
const sharedMode = 0o660

// peerOf is who connected, as the kernel noted it then.
func peerOf(c *net.UnixConn) (p peer, err error) {
	raw, err := c.SyscallConn()
	if err != nil {
		return p, err
	}
	var cred *syscall.Ucred
	e := raw.Control(func(fd uintptr) {
		cred, err = syscall.GetsockoptUcred(int(fd), syscall.SOL_SOCKET, syscall.SO_PEERCRED)
	})
	if e != nil {
		return p, e
	}
	if err != nil {
		return p, err
	}
	return peer{cred.Uid, cred.Gid}, nil
}
