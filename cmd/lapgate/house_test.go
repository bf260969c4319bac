package main

import (
	"bytes"
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// room is one row of the import table of DEVELOPERS.md.
type room struct {
	house   []string // packages of this module, "x/..." for a tree
	outside []string // modules of others
	pure    bool     // without clock, randomness, files and sockets
}

var tick = regexp.MustCompile("`([^`]+)`")

// importTable reads the table that DEVELOPERS.md prints, which is the
// allow-list: what people read and what the test holds is one text.
func importTable(t *testing.T) map[string]room {
	t.Helper()
	text, err := os.ReadFile("../../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, ok := strings.Cut(string(text), "<!-- import table -->")
	table, _, ok2 := strings.Cut(rest, "<!-- end of import table -->")
	if !ok || !ok2 {
		t.Fatal("DEVELOPERS.md has no import table between its two marks")
	}
	names := func(cell string) (out []string) {
		for _, m := range tick.FindAllStringSubmatch(cell, -1) {
			out = append(out, m[1])
		}
		return out
	}
	rooms := map[string]room{}
	for line := range strings.Lines(table) {
		cells := strings.Split(line, "|")
		if len(cells) != 6 || len(names(cells[1])) != 1 {
			continue
		}
		rooms[names(cells[1])[0]] = room{
			house:   names(cells[3]),
			outside: names(cells[4]),
			pure:    strings.Contains(cells[4], "pure"),
		}
	}
	return rooms
}

type goPackage struct {
	ImportPath, Dir, Doc               string
	Imports, TestImports, XTestImports []string
	GoFiles                            []string
}

func packages(t *testing.T) []goPackage {
	t.Helper()
	cmd := exec.Command("go", "list", "-json", "./...")
	cmd.Dir = "../.."
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var list []goPackage
	for d := json.NewDecoder(bytes.NewReader(out)); d.More(); {
		var p goPackage
		if err := d.Decode(&p); err != nil {
			t.Fatal(err)
		}
		list = append(list, p)
	}
	return list
}

func allowed(name string, list []string) bool {
	return slices.ContainsFunc(list, func(a string) bool {
		tree, isTree := strings.CutSuffix(a, "/...")
		return name == a || isTree && (name == tree || strings.HasPrefix(name, tree+"/"))
	})
}

// impure are the standard packages that a pure package does without.
var impure = []string{"os/...", "net/...", "log/...", "context", "database/...", "math/rand/...", "crypto/rand", "sync/...", "testing/..."}

func TestImportsKeepToTheTable(t *testing.T) {
	rooms := importTable(t)
	list := packages(t)
	for _, p := range list {
		name := strings.TrimPrefix(p.ImportPath, "lapgate/")
		r, ok := rooms[name]
		if !ok {
			t.Errorf("%s has no row in the import table of DEVELOPERS.md: add one, with its job and what it may import", name)
			continue
		}
		imports := p.Imports
		if name == "sim" || strings.HasPrefix(name, "sim/") {
			// Not even a test may lend the simulator the gateway's reckoning.
			imports = slices.Concat(p.Imports, houseOnly(p.TestImports), houseOnly(p.XTestImports))
		}
		for _, im := range imports {
			inner, isHouse := strings.CutPrefix(im, "lapgate/")
			switch {
			case isHouse:
				if inner != name && !allowed(inner, r.house) {
					t.Errorf("%s imports %s, which the import table does not allow", name, inner)
				}
			case strings.Contains(strings.Split(im, "/")[0], "."):
				if !allowed(im, r.outside) {
					t.Errorf("%s imports %s, which the import table does not allow", name, im)
				}
			case r.pure && allowed(im, impure):
				t.Errorf("%s is pure and imports %s", name, im)
			}
		}
		if r.pure {
			alone(t, p)
		}
	}
	for name := range rooms {
		if !slices.ContainsFunc(list, func(p goPackage) bool { return p.ImportPath == "lapgate/"+name }) {
			t.Errorf("the import table of DEVELOPERS.md has a row for %s, which does not exist", name)
		}
	}
}

func houseOnly(imports []string) (out []string) {
	for _, im := range imports {
		if strings.HasPrefix(im, "lapgate/") {
			out = append(out, im)
		}
	}
	return out
}

// alone looks for calls that read the clock or wait for it, and for goroutines: the race
// detector of .ci/run leaves out what is pure.
func alone(t *testing.T, p goPackage) {
	t.Helper()
	for _, name := range p.GoFiles {
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, filepath.Join(p.Dir, name), nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			if _, ok := n.(*ast.GoStmt); ok {
				t.Errorf("%s: pure code starts a goroutine", set.Position(n.Pos()))
			}
			sel, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			if x, ok := sel.X.(*ast.Ident); ok && x.Name == "time" &&
				slices.Contains([]string{"Now", "Since", "Until", "Sleep", "After", "Tick", "NewTimer", "NewTicker", "AfterFunc"}, sel.Sel.Name) {
				t.Errorf("%s: pure code uses time.%s", set.Position(n.Pos()), sel.Sel.Name)
			}
			return true
		})
	}
}

func TestFilesKeepToTheHouse(t *testing.T) {
	for _, p := range packages(t) {
		name := filepath.Base(p.ImportPath)
		if slices.Contains([]string{"util", "utils", "common", "types", "models", "manager", "helpers"}, name) {
			t.Errorf("%s: a package is named after what it does", p.ImportPath)
		}
		if p.Doc == "" {
			t.Errorf("%s has no package comment", p.ImportPath)
		}
		files, err := filepath.Glob(filepath.Join(p.Dir, "*.go"))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			text, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			isTest := strings.HasSuffix(f, "_test.go")
			rel := filepath.Join(p.ImportPath, filepath.Base(f))
			if n := bytes.Count(text, []byte("\n")); n > 600 && !isTest {
				t.Errorf("%s has %d lines: split it by theme", rel, n)
			}
			if isTest && bytes.Contains(text, []byte("time."+"Sleep(")) {
				t.Errorf("%s sleeps: use testing/synctest or wait for what it waits for", rel)
			}
			if !isTest && bytes.Contains(text, []byte("csv.NewReader(")) && !strings.HasPrefix(p.ImportPath, "lapgate/sim") {
				t.Errorf("%s reads CSV on its own: recipe/table is the one reader of tables", rel)
			}
			if bytes.Contains(text, []byte(".Forge"+"(")) && p.ImportPath != "lapgate/gateway/conform" && p.ImportPath != "lapgate/gateway/link/linktest" {
				t.Errorf("%s forges a block: only the proof of a controller writes what is not whole", rel)
			}
			if !isTest && bytes.Contains(text, []byte("\nfunc init()")) {
				t.Errorf("%s has an init function: build the value where it is used", rel)
			}
		}
	}
}

// benchCommands are the commands that may know the simulator, by the beginning of the
// names of their files.
var benchCommands = []string{"accept", "demo", "sim"}

// TestOnlyTheBenchKnowsTheSimulator: what answers for a line is not made from
// the simulator's code.
func TestOnlyTheBenchKnowsTheSimulator(t *testing.T) {
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	knowing := 0
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ImportsOnly)
		if err != nil {
			t.Fatal(err)
		}
		for _, im := range file.Imports {
			path := strings.TrimPrefix(strings.Trim(im.Path.Value, `"`), "lapgate/")
			if !allowed(path, []string{"sim/...", "gateway/rehearse"}) {
				continue
			}
			knowing++
			if !slices.ContainsFunc(benchCommands, func(command string) bool { return strings.HasPrefix(name, command) }) {
				t.Errorf("%s imports %s; of the commands only %v may", name, path, benchCommands)
			}
		}
	}
	if knowing == 0 {
		t.Error("no command imports the simulator: this test looks at nothing")
	}
}

var (
	housePath = regexp.MustCompile("`((?:cmd|gateway|recipe|sim|configs|testdata|\\.ci)/[a-zA-Z0-9_./-]+)")
	testName  = regexp.MustCompile(`\b(?:Test|Fuzz)[A-Z]\w+`)
	testFunc  = regexp.MustCompile(`(?m)^func ((?:Test|Fuzz)[A-Z]\w+)\(`)
)

// TestGuideNamesWhatIsThere: the files and tests that DEVELOPERS.md sends
// people to exist.
func TestGuideNamesWhatIsThere(t *testing.T) {
	guide, err := os.ReadFile("../../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range housePath.FindAllSubmatch(guide, -1) {
		name := strings.TrimSuffix(string(m[1]), "/...")
		if _, err := os.Stat(filepath.Join("../..", name)); err != nil {
			t.Errorf("DEVELOPERS.md names %s, which does not exist", name)
		}
	}
	tests := map[string]bool{}
	for _, p := range packages(t) {
		files, err := filepath.Glob(filepath.Join(p.Dir, "*_test.go"))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			text, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range testFunc.FindAllSubmatch(text, -1) {
				tests[string(m[1])] = true
			}
		}
	}
	for _, name := range testName.FindAllString(string(guide), -1) {
		if !tests[name] {
			t.Errorf("DEVELOPERS.md names %s, which is no test", name)
		}
	}
}
