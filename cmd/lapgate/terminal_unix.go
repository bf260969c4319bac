//go:build unix

package main

import (
	"os"

	"golang.org/x/sys/unix"
)

// isTerminal reports whether a person can answer at what a program reads.
func isTerminal(in any) bool {
	_, ok := terminalSize(in)
	return ok
}

// terminalWidth is how many columns the terminal has that w is; 0 when it is
// none.
func terminalWidth(w any) int {
	size, ok := terminalSize(w)
	if !ok {
		return 0
	}
	return int(size.Col)
}

func terminalSize(of any) (*unix.Winsize, bool) {
	f, ok := of.(*os.File)
	if !ok {
		return nil, false
	}
	size, err := unix.IoctlGetWinsize(int(f.Fd()), unix.TIOCGWINSZ)
	return size, err == nil
}
