package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
)

// benchmark runs the benchmarks of a package several times, and returns for each the least of
// each metric by its unit, of a rate the greatest: what disturbs a run makes it longer.
func benchmark(ctx context.Context, env []string, pkg, pattern, benchtime string, count int) (map[string]map[string]float64, error) {
	cmd := exec.CommandContext(ctx, "go", "test", pkg, "-run", "^$", "-bench", pattern, "-benchmem", "-benchtime", benchtime, "-count", strconv.Itoa(count))
	cmd.Env = append(os.Environ(), env...)
	out, err := cmd.CombinedOutput()
	if err != nil {
		return nil, fmt.Errorf("%s: %w\n%s", pkg, err, out)
	}
	all := map[string]map[string]float64{}
	for line := range strings.Lines(string(out)) {
		fields := strings.Fields(line)
		if len(fields) < 4 || !strings.HasPrefix(fields[0], "Benchmark") {
			continue
		}
		name, _, _ := strings.Cut(strings.TrimPrefix(fields[0], "Benchmark"), "-")
		if all[name] == nil {
			all[name] = map[string]float64{}
		}
		for i := 2; i+1 < len(fields); i += 2 {
			v, err := strconv.ParseFloat(fields[i], 64)
			if err != nil {
				return nil, fmt.Errorf("%s: %w in %s", pkg, err, line)
			}
			rate := strings.HasSuffix(fields[i+1], "/s")
			if old, ok := all[name][fields[i+1]]; !ok || v < old != rate {
				all[name][fields[i+1]] = v
			}
		}
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("%s has no benchmark %s", pkg, pattern)
	}
	return all, nil
}

// recipes measures a recipe with all checks, uncertainty and chances.
func recipes(ctx context.Context, _ *bench) ([]row, error) {
	m, err := benchmark(ctx, nil, "./recipe", "Compute/checked", "20ms", 50)
	if err != nil {
		return nil, err
	}
	of := m["Compute/checked"]
	return []row{{"recipe with all checks, uncertainty and chances", fmt.Sprintf("%.2f µs, %.0f allocations", of["ns/op"]/1e3, of["allocs/op"]), "< 5 µs, 0", "least of 50 runs"}}, nil
}

// modbusLink measures a poll and a delivery, from the recipe on the wire to the commit, against
// the bare library and libmodbus.
func modbusLink(ctx context.Context, b *bench) (rows []row, err error) {
	var env []string
	loop := filepath.Join(b.dir, "libmodbus_loop")
	missing := compile(ctx, loop, "testdata/bench/libmodbus_loop.c", "libmodbus")
	if missing == nil {
		env = []string{"LAPGATE_LIBMODBUS_LOOP=" + loop}
	}
	m, err := benchmark(ctx, env, "./gateway/link/modbus", "^BenchmarkLink$", "2s", 3)
	if err != nil {
		return nil, err
	}
	for _, what := range []string{"poll", "delivery"} {
		of := m["Link/"+what]
		named := map[string]string{"poll": "Modbus poll", "delivery": "Modbus, recipe written to commit written"}[what]
		rows = append(rows,
			row{named + ", over the bare library", fmt.Sprintf("%.2f", of["link/bare"]), "≤ 1.05", "medians in turns, least of 3 runs"},
			row{"the same, where the library's calls have a deadline too", fmt.Sprintf("%.2f", of["link/bare-in-context"]), "≤ 1.05", "the same"})
		c := row{named + ", over libmodbus in C", "not measured: " + fmt.Sprint(missing), "", "the same"}
		if missing == nil {
			c.figure = fmt.Sprintf("%.2f", of["link/libmodbus"])
		}
		rows = append(rows, c)
	}
	return rows, nil
}

// compile makes a program in C on a library; the error says what is missing.
func compile(ctx context.Context, program, source, library string) error {
	flags, err := exec.CommandContext(ctx, "pkg-config", "--cflags", "--libs", library).Output()
	if err != nil {
		return fmt.Errorf("no headers of %s: %w", library, err)
	}
	args := append([]string{"-O2", "-o", program, source}, strings.Fields(string(flags))...)
	if out, err := exec.CommandContext(ctx, "cc", args...).CombinedOutput(); err != nil {
		return fmt.Errorf("%s does not compile: %w\n%s", source, err, out)
	}
	return nil
}

// opcuaLink measures a poll over OPC UA.
func opcuaLink(ctx context.Context, _ *bench) (rows []row, err error) {
	m, err := benchmark(ctx, nil, "./gateway/link/opcua", "^BenchmarkAgainstBare$", "1s", 2)
	if err != nil {
		return nil, err
	}
	for _, security := range []string{"None_None", "Basic256Sha256_SignAndEncrypt"} {
		of := m["AgainstBare/"+security+"/poll"]
		rows = append(rows,
			row{"OPC UA poll, " + security + ", over the bare library", fmt.Sprintf("%.2f", of["ratio"]), "", "medians in turns"},
			row{"the same, allocated by the link", fmt.Sprintf("%.1f kB", of["link-B/op"]/1e3), "< 8 kB", "the same"})
	}
	return rows, nil
}

// replays measures how fast recorded rolls are decided again.
func replays(ctx context.Context, _ *bench) ([]row, error) {
	m, err := benchmark(ctx, nil, "./cmd/lapgate", "^BenchmarkReplay$", "6x", 1)
	if err != nil {
		return nil, err
	}
	const rolls = 100_000
	return []row{{"replay of 100,000 rolls", fmt.Sprintf("%.1f s", rolls/m["Replay"]["rolls/s"]), "< 3 s", "by the rate of a journal of 10,000, the whole command, greatest of 6 runs"}}, nil
}
