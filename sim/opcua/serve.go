package opcua

import (
	"net"
	"sync"
	_ "unsafe" // for the link name below

	"github.com/awcullen/opcua/server"
)

// serve is the library's loop of connections on a listener. The library has no
// exported way to it that does not listen on every interface, so it is reached
// by its link name. The version of the library is pinned, and a test of this
// package fails when the loop is no longer there or listens elsewhere.
//
//go:linkname serve github.com/awcullen/opcua/server.(*Server).serve
func serve(srv *server.Server, ln net.Listener, connections *sync.WaitGroup) error
