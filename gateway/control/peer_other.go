//go:build !linux

package control

import "net"

// sharedMode keeps everybody but the daemon's user from the socket, for who sends a
// command is not known here.
const sharedMode = 0o600

// peerOf is the daemon's own user: nobody else may open the socket.
func peerOf(*net.UnixConn) (peer, error) { return ownPeer(), nil }
