package main

import (
	"strings"
	"testing"

	"lapgate/recipe/caution"
)

// Whoever is about to act is told what the act does not do, and what can hurt.
func TestCautionsOfHelp(t *testing.T) {
	for command, c := range map[string]caution.Caution{"hold": caution.NoStop, "disarm": caution.NoStop, "widths": caution.Overhead, "rate": caution.Pace} {
		help := lapgate(command, "--help").out
		if text := strings.Join(strings.Fields(help), " "); !strings.Contains(text, c.String()) {
			t.Errorf("%s --help does not say: %s\n%s", command, c, help)
		}
		for line := range strings.Lines(help) {
			if len(line) > 81 && strings.Contains(c.String(), strings.TrimSpace(line)) {
				t.Errorf("%s --help: the line %q is longer than 80 characters", command, line)
			}
		}
	}
}
