package main

import (
	"time"

	"github.com/spf13/cobra"
)

// A flag has one meaning over the whole program. Those that several commands
// have are defined here, with one usage text each; only their default may differ
// by command, which a text tells as "(default ...)".

// addLine adds the line that a command is for. unnamed tells which is meant
// where none is named.
func addLine(cmd *cobra.Command, line *string, unnamed string) {
	cmd.Flags().StringVar(line, "line", "", "the line of the configuration (default "+unnamed+")")
}

// What is meant where no line is named.
const (
	firstLine = "the first"
	onlyLine  = "the only one"
	allLines  = "all"
)

// addPerson adds who answers for a command, and why it is given.
func addPerson(cmd *cobra.Command, by, reason *string, unnamed string) {
	addBy(cmd, by, unnamed)
	cmd.Flags().StringVar(reason, "reason", "", "why, in words that the journal keeps")
}

func addBy(cmd *cobra.Command, by *string, unnamed string) {
	usage := "name of the person who answers for it"
	if unnamed != "" {
		usage += " (default " + unnamed + ")"
	}
	cmd.Flags().StringVar(by, "by", "", usage)
}

func addTimeout(cmd *cobra.Command, timeout *time.Duration, longest time.Duration) {
	cmd.Flags().DurationVar(timeout, "timeout", longest, "longest wait for an answer")
}
