//go:build !unix

package main

import "os"

// isTerminal reports whether a person can answer at what a program reads.
func isTerminal(in any) bool {
	f, ok := in.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

// terminalWidth is 0: how wide a terminal is cannot be asked for here.
func terminalWidth(any) int { return 0 }
