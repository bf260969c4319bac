package main

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/spf13/cobra"

	"lapgate/configs"
	"lapgate/gateway/config"
	"lapgate/gateway/control"
	"lapgate/gateway/handshake"
	"lapgate/gateway/report/reporttest"
)

// theHandbook is the handbook as the command prints it.
func theHandbook(t *testing.T) string {
	t.Helper()
	r := lapgate("handbook")
	wantCode(t, r, exitDone)
	return r.out
}

// The handbook is one page that loads nothing.
func TestHandbookPage(t *testing.T) {
	text := theHandbook(t)
	if n := reporttest.WellFormed(t, text); n["h1"] < 10 || n["table"] < 15 || n["link"]+n["img"] > 0 {
		t.Errorf("elements %v", n)
	}
	if found := regexp.MustCompile(`(?i)(src|href)="[^#]|url\(|@import`).FindString(text); found != "" {
		t.Errorf("the page asks for something from elsewhere: %s", found)
	}
}

// constants are the values of the constants whose names or type the pattern matches, in
// the source of a package: what the code knows, whatever its tables list.
func constants(t *testing.T, dir, pattern string) map[string]string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join("../..", dir, "*.go"))
	if err != nil {
		t.Fatal(err)
	}
	wanted, out := regexp.MustCompile(pattern), map[string]string{}
	for _, path := range files {
		if strings.HasSuffix(path, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			spec, ok := n.(*ast.ValueSpec)
			if !ok || len(spec.Names) != 1 || len(spec.Values) != 1 {
				return true
			}
			typ := ""
			switch x := spec.Type.(type) {
			case *ast.Ident:
				typ = x.Name
			case *ast.SelectorExpr:
				typ = x.Sel.Name
			}
			if value, ok := spec.Values[0].(*ast.BasicLit); ok && wanted.MatchString(spec.Names[0].Name+" "+typ) {
				text, err := strconv.Unquote(value.Value)
				if err != nil {
					text = value.Value
				}
				out[spec.Names[0].Name] = text
			}
			return true
		})
	}
	return out
}

// TestEveryCodeHasAnEntry takes the codes from the source and not from the tables that
// the handbook is made from: a code that is missing in its table has no entry.
func TestEveryCodeHasAnEntry(t *testing.T) {
	text := theHandbook(t)
	for _, c := range []struct {
		dir, pattern, anchor string
		least                int
	}{
		{"recipe", ` Code$`, "finding-", 25},
		{"recipe/check", ` Code$`, "finding-", 70},
		{"gateway/cycle", `^Code\w+ Code$`, "finding-", 9},
		{"gateway/cycle", `^(note|cond|Condition|Notice)[A-Z]\w* $`, "notice-", 70},
		{"recipe/notice", ` Code$`, "notice-", 9},
		{"gateway/handshake", `^Reject(Damaged|OtherOffer|WrongRoll|TooLate|NotAlive|Permissive|Limit) `, "panel-reject-", 7},
		{"cmd/lapgate", `^exit[A-Z]\w* $`, "exit-", 7},
	} {
		found := constants(t, c.dir, c.pattern)
		if len(found) < c.least {
			t.Errorf("%s: %d codes, want %d at least: this test looks at too few", c.dir, len(found), c.least)
		}
		for name, value := range found {
			entry := regexp.MustCompile(`(?s)<tr id="` + regexp.QuoteMeta(c.anchor+value) + `">.*?</tr>`).FindString(text)
			if cells := strings.Count(entry, "<td>"); cells != 2 || strings.Contains(entry, "<td></td>") {
				t.Errorf("%s.%s, %s, has no entry in the handbook that says what is so and what to do", c.dir, name, value)
			}
		}
	}
	for n := 1; !strings.HasPrefix(handshake.HoldReason(n).String(), "reason "); n++ {
		if !strings.Contains(text, fmt.Sprintf(`<tr id="panel-hold-%d">`, n)) {
			t.Errorf("hold %d has no entry in the handbook", n)
		}
	}
}

// Each key of the configuration that handbook and README name is one, written out from
// its beginning or from below its line.
func TestNamedKeysAreKeys(t *testing.T) {
	known := map[string]bool{}
	for _, k := range config.Keys() {
		path := strings.ReplaceAll(k.Path, ".N", "")
		known[path], known[strings.TrimPrefix(path, "lines.")] = true, true
	}
	n := 0
	for _, m := range regexp.MustCompile("`([a-z_]+(?:\\.[a-z_]+)+)(: [^`]*)?`").FindAllStringSubmatch(string(configs.Handbook())+theReadme(t), -1) {
		if ext := filepath.Ext(m[1]); ext == ".yaml" || ext == ".md" || ext == ".db" || ext == ".sock" || ext == ".service" || ext == ".conf" {
			continue // a file
		}
		if strings.HasPrefix(m[1], "lapgate.") {
			continue // a table of the engine, in its schema
		}
		if n++; !known[m[1]] {
			t.Errorf("%s is no key of a configuration", m[1])
		}
	}
	if n < 25 {
		t.Errorf("%d keys were looked at", n)
	}
}

// A caution stands where hands go.
func TestHandbookCautions(t *testing.T) {
	for chapter, wants := range map[string][]string{
		"A wrapper runs out": {"overhead"}, "A station is broken": {"ends"}, "A narrow roll": {"roll"}, "When in doubt": {"no stop"},
		"6. Arm it for a trial": {"nip points"}, "Commissioning": {"proof", "licensed", "platens"}, "What the press waits for": {"press"},
	} {
		_, rest, ok := strings.Cut(string(configs.Handbook()), "# "+chapter+"\n")
		if !ok {
			t.Errorf("no chapter %s", chapter)
		}
		if chapter != "Commissioning" {
			rest, _, _ = strings.Cut(rest, "\n#")
		}
		for _, want := range wants {
			if !strings.Contains(rest, "[[caution "+want+"]]") {
				t.Errorf("%s does not show the caution on %s", chapter, want)
			}
		}
	}
}

// fence is a block of commands of the handbook.
var fence = regexp.MustCompile("(?ms)^```(.*?)\n(.*?)^```$")

// aCall is one command of the handbook.
type aCall struct {
	way   string // as the fence says
	line  string
	codes []int // that it may end with
}

// calls are the commands of the handbook in their order.
func calls(t *testing.T) []aCall {
	t.Helper()
	return callsIn(t, string(configs.Handbook()))
}

// callsIn are the commands of a text. A comment tells how one ends that does not end
// with 0: "# ends with 0 or 5".
func callsIn(t *testing.T, text string) (out []aCall) {
	t.Helper()
	for _, m := range fence.FindAllStringSubmatch(text, -1) {
		if m[1] == "text" || m[1] == "sh package" {
			continue // no commands of a mill: what a program prints, and a package manager
		}
		for line := range strings.Lines(m[2]) {
			c := aCall{way: m[1], line: strings.TrimSpace(line), codes: []int{0}}
			if before, ends, ok := strings.Cut(c.line, " # ends with "); ok {
				c.line, c.codes = before, nil
				for _, word := range strings.Split(ends, " or ") {
					n, err := strconv.Atoi(word)
					if err != nil {
						t.Fatalf("%s: %v", line, err)
					}
					c.codes = append(c.codes, n)
				}
			}
			if c.way != "sh clone" {
				c.line = strings.TrimPrefix(c.line, "go run ./cmd/")
			}
			if !strings.HasPrefix(c.line, "lapgate ") && c.way != "sh clone" {
				t.Fatalf("%q is no command of lapgate", c.line)
			}
			out = append(out, c)
		}
	}
	return out
}

// wordsOf parts a command as a shell does, and tells where its output goes.
func wordsOf(t *testing.T, line string) (words []string, to string) {
	t.Helper()
	for _, m := range regexp.MustCompile(`(?:[^\s"]|"[^"]*")+`).FindAllString(line, -1) {
		words = append(words, strings.ReplaceAll(m, `"`, ""))
	}
	if i := slices.Index(words, ">"); i >= 0 {
		to = words[i+1]
		words = words[:i]
	}
	return words[1:], to
}

// mill is the folder in which the commands of the handbook run: its configuration, a
// shift in its journal, and lists of rolls.
func mill(t *testing.T, address string) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "m") // short: a socket is below it
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	text := strings.Replace(patientDemo(t), "127.0.0.1:1502", address, 1) + "\nstatus:\n  listen: 127.0.0.1:0\n"
	schedule, err := os.ReadFile("../../testdata/widths/week.csv")
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"mill.yaml": text, "week.csv": string(schedule), "week-rolls.csv": "roll,diameter (in),width (in),grade,core,platen (°F)\nA-1,50,60,1,1,350\n"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// inMill runs a command of the handbook in the mill.
func inMill(t *testing.T, dir string, c *aCall, more ...string) {
	t.Helper()
	words, to := wordsOf(t, c.line)
	cmd := exec.Command(binary(t), append(words, more...)...)
	cmd.Dir, cmd.Env = dir, cleanEnv()
	var problems strings.Builder
	cmd.Stderr = &problems
	out, err := cmd.Output()
	if cmd.ProcessState == nil {
		t.Fatalf("%s: %v", c.line, err)
	}
	if code := cmd.ProcessState.ExitCode(); !slices.Contains(c.codes, code) {
		t.Errorf("%s ended with %d, want %d\n%.3000s%s", c.line, code, c.codes, out, problems.String())
	}
	if to != "" {
		if err := os.WriteFile(filepath.Join(dir, to), out, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// asking are the commands that ask before they act; without a terminal they want --yes.
var asking = []string{"hang", "station", "confirm", "stock", "override", "support"}

func yes(line string) []string {
	if slices.Contains(asking, strings.Fields(line)[1]) {
		return []string{"--yes"}
	}
	return nil
}

// TestHandbookCommands runs the commands of the handbook that need no daemon, in a mill
// whose journal has a shift, and in their order.
func TestHandbookCommands(t *testing.T) {
	t.Parallel()
	dir := mill(t, "127.0.0.1:1")
	inMill(t, dir, &aCall{line: "lapgate demo --rolls 8 --speed 2000 --journal journal", codes: []int{0}})
	n := 0
	for _, c := range calls(t) {
		if c.way == "sh" {
			n++
			if strings.Contains(c.line, "backup") {
				_ = os.Remove(filepath.Join(dir, "copy.db")) // it is written anew
			}
			inMill(t, dir, &c, yes(c.line)...)
		}
	}
	if n < 20 {
		t.Errorf("%d commands ran", n)
	}
}

// TestHandbookCommandsLive runs those that need a line against a daemon that serves a
// simulated one.
func TestHandbookCommandsLive(t *testing.T) {
	t.Parallel()
	dir := mill(t, liveLine(t))
	d := startDaemon(t.Context(), t, filepath.Join(dir, "mill.yaml"))
	d.await("would get")
	n := 0
	for _, c := range calls(t) {
		// The daemon runs already, by the words of the handbook.
		if c.way == "sh live" && c.line != "lapgate run --config mill.yaml" {
			n++
			inMill(t, dir, &c, yes(c.line)...)
		}
	}
	if n < 10 {
		t.Errorf("%d commands ran", n)
	}
	d.stop()
}

// TestHandbookCommandsTold gives those that need a certain state of a line, as a roll of
// that number, to a daemon that repeats what it is told: the command reaches it, and the
// daemon can read it.
func TestHandbookCommandsTold(t *testing.T) {
	t.Parallel()
	dir := mill(t, "127.0.0.1:1")
	if err := os.Mkdir(filepath.Join(dir, "journal"), 0o700); err != nil {
		t.Fatal(err)
	}
	daemon, err := control.Listen(t.Context(), filepath.Join(dir, "journal", "control.sock"), repeat)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = daemon.Close() }()
	n := 0
	for _, c := range calls(t) {
		if c.way == "sh told" {
			n++
			inMill(t, dir, &c, yes(c.line)...)
		}
	}
	if n < 8 {
		t.Errorf("%d commands ran", n)
	}
}

// TestHandbookCommandsAtSite holds those that need a person, a peer or a secret of the
// site to what the program takes: command, flags, their values and arguments.
func TestHandbookCommandsAtSite(t *testing.T) {
	n := 0
	for _, c := range append(calls(t), callsIn(t, theReadme(t))...) {
		switch c.way {
		case "sh", "sh live", "sh told", "sh shadow", "sh clone":
			continue
		case "sh site":
		default:
			t.Errorf("%q is no way in which %s is tested", c.way, c.line)
		}
		n++
		words, _ := wordsOf(t, c.line)
		root := (&program{}).root()
		root.SetArgs(words)
		var cmd *cobra.Command
		cmd, rest, err := root.Find(words)
		if err == nil {
			err = cmd.ParseFlags(rest)
		}
		if err == nil {
			err = cmd.ValidateArgs(cmd.Flags().Args())
		}
		if err != nil || cmd == root {
			t.Errorf("%s: %v", c.line, err)
		}
	}
	if n < 5 {
		t.Errorf("%d commands were looked at", n)
	}
}
