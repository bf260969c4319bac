//go:build !unix

package main

import "io"

// terminalWidth is 0: how wide a terminal is cannot be asked for here.
func terminalWidth(io.Writer) int { return 0 }
