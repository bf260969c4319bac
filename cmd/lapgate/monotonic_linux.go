package main

import "golang.org/x/sys/unix"

// monotonicMicroseconds is the clock by which systemd tells the answer to its newest
// SIGHUP from that to an earlier one.
func monotonicMicroseconds() int64 {
	var now unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &now); err != nil {
		return 0 // never on Linux; systemd then waits until its time is up
	}
	return now.Nano() / 1000
}
