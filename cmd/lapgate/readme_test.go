package main

import (
	"flag"
	"fmt"
	"html"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"lapgate/gateway/handbook"
	"lapgate/gateway/setup"
	"lapgate/gateway/tags"
	"lapgate/sim"
)

func theReadme(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

var updateReadme = flag.Bool("update", false, "write the tables of README")

// What README tells from a table of the house stands between two marks.
func TestReadmeTables(t *testing.T) {
	text := theReadme(t)
	guarantees := "| no. | guarantee |\n|---|---|\n"
	for _, g := range tags.Guarantees() {
		guarantees += fmt.Sprintf("| %s | %s |\n", g.Name, g.Text)
	}
	commands := "| job | commands |\n|---|---|\n"
	for _, g := range (&program{}).groups() {
		var names []string
		for _, c := range g.commands {
			names = append(names, "`"+c.Name()+"`")
		}
		commands += fmt.Sprintf("| %s | %s |\n", g.title, strings.Join(names, " "))
	}
	drawing := "<picture>\n<source media=\"(max-width: 800px)\" srcset=\"configs/handbook/line-narrow.svg\">\n" +
		"<img src=\"configs/handbook/line.svg\" width=\"960\" alt=\"" + html.EscapeString(handbook.LineWords) + "\">\n</picture>\n"
	for name, want := range map[string]string{"drawing": drawing, "guarantees": guarantees, "commands": commands} {
		before, rest, ok := strings.Cut(text, "<!-- "+name+" -->\n")
		got, after, ended := strings.Cut(rest, "<!-- end of "+name+" -->\n")
		switch {
		case !ok || !ended:
			t.Errorf("README has no marks of %s", name)
		case *updateReadme:
			text = before + "<!-- " + name + " -->\n" + want + "<!-- end of " + name + " -->\n" + after
		case got != want:
			t.Errorf("README: between the marks of %s stands\n%s\nwant\n%s\nrun go test ./cmd/lapgate -run ReadmeTables -update", name, got, want)
		}
	}
	if *updateReadme {
		if err := os.WriteFile("../../README.md", []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// TestReadmeLinks: what README points to is there.
func TestReadmeLinks(t *testing.T) {
	text, n := theReadme(t), 0
	for _, m := range regexp.MustCompile(`(?:\]\(|src="|srcset=")([^)"#]+)`).FindAllStringSubmatch(text, -1) {
		n++
		if _, err := os.Stat(filepath.Join("../..", m[1])); err != nil {
			t.Error(err)
		}
	}
	for _, m := range regexp.MustCompile(`\]\(#([^)]*)\)`).FindAllStringSubmatch(text, -1) {
		n++
		heading := regexp.MustCompile(`(?mi)^## ` + strings.ReplaceAll(m[1], "-", "[ -]") + `$`)
		if !heading.MatchString(text) {
			t.Errorf("README has no heading %s", m[1])
		}
	}
	if n < 7 {
		t.Errorf("%d links", n)
	}
}

// number is a number of what the demo prints; what differs from run to run is masked. On a
// busy machine an answer can come too late, and then there is another session, with its
// record.
var (
	number = regexp.MustCompile(`[0-9]+(\.[0-9]+)?`)
	masked = regexp.MustCompile(`(left the line in |head |stale commits; |journal: )[0-9a-f.:hms]+`)
)

// alike reports whether two lines of the demo tell the same: the encoder has its noise,
// and feeds differ by some hundredths of an inch.
func alike(a, b string) bool {
	const noise = 0.05
	a, b = masked.ReplaceAllString(a, "$1"), masked.ReplaceAllString(b, "$1")
	if number.ReplaceAllString(a, "0") != number.ReplaceAllString(b, "0") {
		return false
	}
	x, y := number.FindAllString(a, -1), number.FindAllString(b, -1)
	for i := range x {
		v, errV := strconv.ParseFloat(x[i], 64)
		w, errW := strconv.ParseFloat(y[i], 64)
		if errV != nil || errW != nil || !(math.Abs(v-w) <= noise) || !strings.Contains(x[i]+y[i], ".") && v != w {
			return false
		}
	}
	return true
}

// TestReadmeDemo holds what README shows of the demo to what the demo prints, in the same
// order; … stands for what was left out.
func TestReadmeDemo(t *testing.T) {
	t.Parallel()
	_, rest, ok := strings.Cut(theReadme(t), "## What the demo shows\n")
	_, rest, fenced := strings.Cut(rest, "```text\n")
	excerpt, _, ended := strings.Cut(rest, "```\n")
	if !ok || !fenced || !ended || strings.Count(excerpt, "\n") < 12 {
		t.Fatalf("README shows nothing of the demo: %q", excerpt)
	}
	r := lapgate("demo", "--speed", "2000")
	wantCode(t, r, exitDone)
	printed := strings.Split(r.out, "\n")
	skips := false
	for line := range strings.Lines(excerpt) {
		line = strings.TrimRight(line, "\n")
		if line == "…" {
			skips = true
			continue
		}
		same := func(got string) bool {
			if begun, cut := strings.CutSuffix(line, "…"); cut {
				n := min(len(got), len(begun))
				return alike(got[:n], begun)
			}
			return alike(got, line)
		}
		at := slices.IndexFunc(printed, same)
		if at < 0 {
			t.Fatalf("README shows\n%s\nand the demo does not print it:\n%s", line, r.out)
		}
		if between := strings.Join(printed[:at], ""); between != "" && !skips && !strings.HasPrefix(between, "simulated line") {
			t.Errorf("README leaves out without a word:\n%s", between)
		}
		printed, skips = printed[at+1:], false
	}
}

// shadowLine serves a simulated line like the configured one, at which people wrap by hand.
func shadowLine(t *testing.T, text string) string {
	t.Helper()
	return simulate(t, []byte(text), func(c *sim.Config) { c.Shadow, c.Operator.Patience, c.Speed = true, shadowPatience, 100 })
}

// TestReadmeCommands runs the way of README to a line in shadow, in its order, with the
// simulator in the place of the controller and the answers that init shows as examples.
// The other commands of README are those of its beginning, or of the handbook, or held to
// what the program takes.
func TestReadmeCommands(t *testing.T) {
	t.Parallel()
	answers, flags := setup.Answers{}, []string(nil)
	for _, q := range setup.Questions() {
		answers[q.Name] = q.Example
		flags = append(flags, "--"+q.Name, q.Example)
	}
	text, err := setup.Text(answers)
	if err != nil {
		t.Fatal(err)
	}
	address := shadowLine(t, text)
	dir, err := os.MkdirTemp("", "m") // short: a socket is below it
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	ctx := t.Context()
	mill := filepath.Join(dir, "mill.yaml")
	var clone, done []string
	var d *aDaemon
	looked := "" // number of the first roll that it saw from its request on
	for _, c := range callsIn(t, theReadme(t)) {
		switch c.way {
		case "sh clone":
			clone = append(clone, c.line)
			continue
		case "sh shadow":
		default:
			continue
		}
		done = append(done, strings.Fields(c.line)[1])
		c.line = strings.Replace(strings.Replace(c.line, "192.0.2.10", address, 1), "why 2 ", "why "+looked+" ", 1)
		switch {
		case strings.HasPrefix(c.line, "lapgate init "):
			inMill(t, dir, &c, append(flags, "--controller", address)...)
			written, err := os.ReadFile(mill)
			if err == nil {
				err = os.WriteFile(mill, append(written, "\nstatus:\n  listen: 127.0.0.1:0\n"...), 0o600)
			}
			if err != nil {
				t.Fatal(err)
			}
		case strings.HasPrefix(c.line, "lapgate probe scan "):
			inMill(t, dir, &c, "--yes")
		case c.line == "lapgate run --config mill.yaml":
			d = startDaemon(ctx, t, mill)
			looked = d.await("roll ([0-9]+) would get")[1]
			d.await("roll " + looked + " left the station")
		default:
			inMill(t, dir, &c)
		}
	}
	if want := []string{"go run ./cmd/lapgate demo", "go test ./...", "go build ./cmd/lapgate"}; !slices.Equal(clone, want) {
		t.Errorf("README begins with %q, want %q", clone, want)
	}
	if want := []string{"init", "check", "probe", "check", "run", "status", "why", "compare", "report"}; !slices.Equal(done, want) {
		t.Errorf("the way to a line in shadow is %q, want %q", done, want)
	}
	if d != nil {
		d.stop()
	}
}
