// Performance measures what the project promises of its speed and size, and prints one
// table. Where there is a bare reference that does the same work (the bare library of the
// link, libmodbus in C, bare SQLite, a solver of integer programmes) a figure is a ratio, taken in turns in this one run. Nothing
// is judged here: times depend on the machine, so each row names its aim beside it.
//
//	go run ./testdata/performance          # all rows, some minutes
//	go run ./testdata/performance lines    # the rows of one part
//
// Run it from the root of the repository. Programs in C are compiled where a compiler and the
// headers are there; a row that cannot be measured says why.
package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"text/tabwriter"
)

// row is one line of the table.
type row struct{ what, figure, aim, how string }

// part measures some rows. bench has what the parts share.
type part struct {
	name    string
	measure func(context.Context, *bench) ([]row, error)
}

// bench is what the parts share.
type bench struct {
	dir    string // for files, removed at the end
	binary string // lapgate, built as it is shipped
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	err := run(ctx, os.Args[1:])
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "performance:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, names []string) (err error) {
	parts := []part{
		{"program", program}, {"recipe", recipes}, {"journal", appending}, {"modbus", modbusLink}, {"opcua", opcuaLink},
		{"request", requestToCommit},
		{"widths", widthsOfAMillion}, {"solver", widthsAgainstSolvers}, {"replay", replays}, {"lines", manyLines}, {"cold", coldBuild},
	}
	for _, n := range names {
		if !slices.ContainsFunc(parts, func(p part) bool { return p.name == n }) {
			return fmt.Errorf("no part %q", n)
		}
	}
	b := &bench{}
	if b.dir, err = os.MkdirTemp("", "performance"); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(b.dir)) }()
	b.binary = filepath.Join(b.dir, "lapgate")
	build := exec.CommandContext(ctx, "go", "build", "-trimpath", "-ldflags=-s -w", "-o", b.binary, "./cmd/lapgate")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		return fmt.Errorf("building lapgate: %w\n%s", err, out)
	}
	fmt.Printf("%s, %d processors, %s, %s/%s\n\n", processor(), runtime.NumCPU(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	table := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "what\tfigure\taim\thow")
	for _, p := range parts {
		if len(names) > 0 && !slices.Contains(names, p.name) {
			continue
		}
		rows, err := p.measure(ctx, b)
		if err != nil {
			rows = append(rows, row{what: p.name, figure: "not measured: " + err.Error()})
		}
		for _, r := range rows {
			fmt.Fprintf(table, "%s\t%s\t%s\t%s\n", r.what, r.figure, r.aim, r.how)
		}
	}
	return table.Flush()
}

// processor is the model that the operating system tells.
func processor() string {
	f, err := os.Open("/proc/cpuinfo")
	if err != nil {
		return "unknown processor"
	}
	defer func() { _ = f.Close() }()
	for lines := bufio.NewScanner(f); lines.Scan(); {
		if key, value, ok := strings.Cut(lines.Text(), ":"); ok && strings.TrimSpace(key) == "model name" {
			return strings.TrimSpace(value)
		}
	}
	return "unknown processor"
}
