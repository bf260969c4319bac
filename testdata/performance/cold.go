package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// action is one step of a build: a package that was compiled or linked.
type action struct {
	Mode, Package string
	CmdUser       time.Duration
}

// coldBuild measures the building of the command with nothing built before.
func coldBuild(ctx context.Context, b *bench) ([]row, error) {
	graph := filepath.Join(b.dir, "graph.json")
	cmd := exec.CommandContext(ctx, "go", "build", "-debug-actiongraph="+graph, "-o", filepath.Join(b.dir, "cold"), "./cmd/lapgate")
	cmd.Env = append(os.Environ(), "GOCACHE="+filepath.Join(b.dir, "cache"))
	begun := time.Now()
	if out, err := cmd.CombinedOutput(); err != nil {
		return nil, fmt.Errorf("building lapgate: %w\n%s", err, out)
	}
	took := time.Since(begun)
	text, err := os.ReadFile(graph)
	if err != nil {
		return nil, err
	}
	var actions []action
	if err := json.Unmarshal(text, &actions); err != nil {
		return nil, err
	}
	slices.SortFunc(actions, func(a, b action) int { return cmp.Compare(b.CmdUser, a.CmdUser) })
	var longest []string
	for _, a := range actions[:min(10, len(actions))] {
		longest = append(longest, fmt.Sprintf("%s %s %.1f s", a.Mode, a.Package, a.CmdUser.Seconds()))
	}
	s := cmd.ProcessState
	return []row{{"go build ./cmd/lapgate on an empty build cache", fmt.Sprintf("%.0f s of processor time, %.0f s elapsed", (s.UserTime() + s.SystemTime()).Seconds(), took.Seconds()), "",
		"modules at hand; longest: " + strings.Join(longest, ", ")}}, nil
}
