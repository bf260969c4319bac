package main

import (
	"github.com/spf13/cobra"

	"lapgate/gateway/rehearse"
	"lapgate/sim"
)

// simFaults are the faults of --fault, for a shell that completes them.
func simFaults() []cobra.Completion {
	out := []cobra.Completion{"all", "help"}
	for _, f := range sim.SimulatedFaults() {
		out = append(out, cobra.CompletionWithDesc(f.Name, f.Text))
	}
	return out
}

// simQuirks are the quirks of --quirk.
func simQuirks() []cobra.Completion {
	out := []cobra.Completion{"help"}
	for _, q := range sim.Quirks() {
		out = append(out, cobra.CompletionWithDesc(q.Name, q.Text))
	}
	return out
}

// simProcessFaults are the faults of --process.
func simProcessFaults() []cobra.Completion {
	out := []cobra.Completion{"all", "help"}
	for _, f := range sim.ProcessFaults() {
		out = append(out, cobra.CompletionWithDesc(f.Name, f.Text))
	}
	return out
}

// simTransports are the links of --transport.
func simTransports() (out []cobra.Completion) {
	for _, t := range rehearse.Transports() {
		out = append(out, string(t))
	}
	return out
}
