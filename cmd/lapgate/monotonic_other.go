//go:build !linux

package main

// monotonicMicroseconds is for systemd alone, which only Linux has.
func monotonicMicroseconds() int64 { return 0 }
