//go:build unix

package main

import (
	"io"
	"os"

	"golang.org/x/sys/unix"
)

// terminalWidth is how many columns the terminal has that w is; 0 when it is
// none.
func terminalWidth(w io.Writer) int {
	f, ok := w.(*os.File)
	if !ok {
		return 0
	}
	size, err := unix.IoctlGetWinsize(int(f.Fd()), unix.TIOCGWINSZ)
	if err != nil {
		return 0
	}
	return int(size.Col)
}
