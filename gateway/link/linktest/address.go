package linktest

import (
	"errors"
	"math/rand/v2"
	"net"
	"strconv"
	"syscall"
)

// FreeAddress is an address of this machine, host:port, at which nobody listens. Its port
// lies below those that systems hand out to whoever asks for any, so that no test beside
// this one is given it meanwhile.
func FreeAddress() (string, error) {
	const lowest, above = 16000, 32000
	for {
		l, err := net.Listen("tcp", net.JoinHostPort("127.0.0.1", strconv.Itoa(lowest+rand.IntN(above-lowest))))
		if errors.Is(err, syscall.EADDRINUSE) {
			continue
		}
		if err != nil {
			return "", err
		}
		return l.Addr().String(), l.Close()
	}
}
