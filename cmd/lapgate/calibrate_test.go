package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lapgate/configs"
	"lapgate/gateway/config"
	"lapgate/gateway/process"
	"lapgate/recipe/calibrate"
	"lapgate/recipe/thermal"
)

// bondCurve is the curve of a bond line as a table.
func bondCurve(t *testing.T, conductance float64) string {
	t.Helper()
	var b strings.Builder
	b.WriteString("# board-poly, pressed at 350 °F\ntime (s),bond (°C)\n")
	p := thermal.Pressing{
		Head:    thermal.Head{Thickness: 0.3e-3, Conductivity: 0.12, Density: 750, HeatCapacity: 1400, Conductance: conductance},
		Backing: thermal.Backing{Effusivity: 550}, Start: 20, Platen: 176.67,
	}
	for i := range 200 {
		v, _, _, err := p.Bond(float64(i) / 5)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&b, "%.1f,%.2f\n", float64(i)/5, v+0.3*math.Sin(1e3*float64(i)))
	}
	return b.String()
}

// takenByConfig gives a configuration each of the lines printed for it.
func takenByConfig(t *testing.T, path string, lines []string, want int) {
	t.Helper()
	taken := 0
	for _, l := range lines {
		key, value, _ := strings.Cut(l, ": ")
		value, _, _ = strings.Cut(value, " #")
		if strings.HasPrefix(key, "#") {
			continue // said to people: it is no setting
		}
		args := []string{"config", "--config", path, "--set", key + "=" + value}
		if at, by, both := strings.Cut(strings.Trim(value, "{}"), ", "); both {
			args = []string{"config", "--config", path, "--set", key + ".at=" + strings.TrimPrefix(at, "at: "), "--set", key + ".by=" + strings.Trim(strings.TrimPrefix(by, "by: "), `"`)}
		}
		var out, errs bytes.Buffer
		if code := run(args, nil, strings.NewReader(""), &out, &errs); code != exitDone {
			t.Errorf("%s: exit code %d, %s", l, code, errs.String())
		}
		taken++
	}
	if taken != want {
		t.Errorf("%d lines for a configuration, want %d: %q", taken, want, lines)
	}
}

// What rolls tell of a line comes as lines that its configuration takes, each
// setting with its uncertainty.
func TestCalibrateRollsPrintsKeys(t *testing.T) {
	path := filepath.Join(t.TempDir(), "demo.yaml")
	if err := os.WriteFile(path, configs.Demo(), 0o600); err != nil {
		t.Fatal(err)
	}
	snapshot, err := config.Load(config.Source{Path: path})
	if err != nil {
		t.Fatal(err)
	}
	var a process.Actuals
	const caliper = 0.0003
	for i := range 60 {
		wound := 8 + 0.1*float64(i)
		a.Fed = append(a.Fed, calibrate.Fed{Travel: wound / 0.99, Wound: wound, U: 0.005, Standing: 0.003})
		volume := 0.5 + 0.03*float64(i%20)
		a.Weighed = append(a.Weighed, calibrate.Weighed{Grade: 1 + i%4, Reading: 640*volume + 12, Tare: 10, Volume: volume, VolumeU: 1e-3, ScaleU: 0.3})
	}
	kraft := process.Unwound{Paper: "kraft-poly"}
	for drawn := 0.0; drawn < 720; drawn += 12 {
		kraft.Readings = append(kraft.Readings, calibrate.Unwound{Reel: 1, Outer: math.Sqrt(1 - 4*caliper*drawn/math.Pi), Drawn: drawn})
	}
	a.Papers = append(a.Papers, kraft)
	c := process.NewCalibration(snapshot.Lines[0].Recipe, 0, "2026-03-01", "Kim")
	c.Rolls(&a)
	got, err := c.Estimates()
	if err != nil || len(got.Not) > 0 {
		t.Fatalf("%v; not estimated: %+v", err, got)
	}
	// The slip has a date beside its uncertainty; one caliper, four densities.
	takenByConfig(t, path, got.Lines, 3+2+4*2)
}

// A curve gives conductance and backing, and the lines printed for what the
// configuration knows are lines that it takes.
func TestCalibrateBond(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	demo, curve := write("demo.yaml", string(configs.Demo())), write("curve.csv", bondCurve(t, 310))
	call := func(args ...string) (code int, stdout, stderr string) {
		var out, errs bytes.Buffer
		code = run(args, nil, strings.NewReader(""), &out, &errs)
		return code, out.String(), errs.String()
	}
	code, out, errs := call("calibrate", "--config", demo, "--bond", curve, "--by", "Kim", "--json")
	if code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	var got struct {
		Estimates []struct {
			Value float64 `json:"value"`
			U     float64 `json:"u"`
			Rolls int     `json:"rolls"`
		} `json:"estimates"`
		Lines []string `json:"configuration"`
	}
	if err := json.Unmarshal([]byte(out), &got); err != nil || len(got.Estimates) != 2 {
		t.Fatalf("%v:\n%s", err, out)
	}
	for i, want := range []float64{310, 550} {
		if e := got.Estimates[i]; math.Abs(e.Value-want) > e.U || e.U > 0.12*want || e.Rolls != 1 {
			t.Errorf("%+v, want %g", e, want)
		}
	}
	takenByConfig(t, demo, got.Lines, 6)
	if measured := got.Lines[2]; !strings.Contains(measured, `header.conductance_measured: {at: 20`) || !strings.Contains(measured, `by: "Kim"}`) {
		t.Errorf("lines %q", got.Lines)
	}

	// At twice the reference pressure with an exponent, the conductance at the
	// reference pressure is less.
	_, at, _ := call("calibrate", "--config", demo, "--bond", curve, "--by", "Kim", "--json", "--set", "lines.0.header.pressure_exponent=0.1", "--pressure", "20 kPa")
	if err := json.Unmarshal([]byte(at), &got); err != nil || math.Abs(got.Estimates[0].Value*math.Pow(2, 0.1)-310) > 20 {
		t.Errorf("%v: %+v", err, got.Estimates)
	}
	for want, args := range map[string][]string{
		"--by is missing":            {"--config", demo, "--bond", curve},
		"nothing to calibrate from":  {"--config", demo, "--by", "Kim"},
		"name the configuration":     {"--bond", curve, "--by", "Kim"},
		"no such head material":      {"--config", demo, "--bond", curve, "--by", "Kim", "--material", "tin"},
		"--platen: ":                 {"--config", demo, "--bond", curve, "--by", "Kim", "--platen", "hot"},
		"--start is about a curve":   {"north.db", "--config", demo, "--by", "Kim", "--start", "20 °C"},
		"short.csv:2:1: time: ":      {"--config", demo, "--bond", write("short.csv", "time (s),bond (°C)\nx,1\n"), "--by", "Kim"},
		"points of the curve: got 1": {"--config", demo, "--bond", write("one.csv", "time (s),bond (°C)\n0,20\n"), "--by", "Kim"},
	} {
		wrong := exitUsage
		if strings.Contains(want, "of the curve") || strings.HasPrefix(want, "short") {
			wrong = exitFailed // of the file, not of the command
		}
		if code, _, errs := call(append([]string{"calibrate"}, args...)...); code != wrong || !strings.Contains(errs, want) {
			t.Errorf("%v: exit code %d, %s; want %q", args, code, errs, want)
		}
	}
}
