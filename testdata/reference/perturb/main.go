// Perturb changes each number of the reference data in turn and names the test
// that then fails. A row whose numbers no test misses is held by none: perturb
// lists it and ends with 1.
//
// It works on a copy of the tree, with test programs built once. Run it from
// the root of the module: go run ./testdata/reference/perturb [FILE.csv ...]
package main

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
)

const folder = "testdata/reference"

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "perturb:", err)
		os.Exit(1)
	}
}

// reader is one package whose tests read a reference file.
type reader struct {
	dir     string // below the root
	program string
	tests   []string // those that come to the file
}

func run(only []string) error {
	scratch, err := os.MkdirTemp("", "perturb")
	if err != nil {
		return err
	}
	defer os.RemoveAll(scratch)
	files, err := filepath.Glob(folder + "/*.csv")
	if err != nil {
		return err
	}
	programs := map[string]string{}
	var all []*perturbation
	for _, file := range files {
		name := filepath.Base(file)
		if len(only) > 0 && !slices.Contains(only, name) {
			continue
		}
		readers, err := readersOf(name)
		if err != nil {
			return err
		}
		for i := range readers {
			if readers[i].program, err = build(readers[i].dir, scratch, programs); err != nil {
				return err
			}
		}
		all = append(all, &perturbation{name: name, readers: readers})
	}
	if err := sideBySide(all, scratch); err != nil {
		return err
	}
	rows, cells := 0, 0
	var silent []string
	for _, p := range all {
		fmt.Print(p.told.String())
		rows, cells, silent = rows+p.rows, cells+p.cells, append(silent, p.silent...)
	}
	fmt.Printf("%d rows, %d numbers changed, %d rows held by no test\n", rows, cells, len(silent))
	if len(silent) > 0 {
		return fmt.Errorf("no test fails when these rows are changed:\n  %s", strings.Join(silent, "\n  "))
	}
	return nil
}

// sideBySide perturbs files on every processor, each in a copy of the tree of its own: a
// test may read more than one file.
func sideBySide(all []*perturbation, scratch string) error {
	next := make(chan *perturbation, len(all))
	for _, p := range all {
		next <- p
	}
	close(next)
	failed := make([]error, runtime.GOMAXPROCS(0))
	var wg sync.WaitGroup
	for i := range failed {
		wg.Go(func() {
			tree := filepath.Join(scratch, fmt.Sprint("tree-", i))
			if failed[i] = os.CopyFS(tree, source{os.DirFS(".")}); failed[i] != nil {
				return
			}
			for p := range next {
				p.tree, p.path = tree, filepath.Join(tree, folder, p.name)
				if failed[i] = p.all(); failed[i] != nil {
					return
				}
			}
		})
	}
	wg.Wait()
	return errors.Join(failed...)
}

// source is the tree without what tests do not read.
type source struct{ fs.FS }

// ReadDir leaves out the repository's own data and installed packages.
func (s source) ReadDir(name string) ([]fs.DirEntry, error) {
	all, err := fs.ReadDir(s.FS, name)
	return slices.DeleteFunc(all, func(e fs.DirEntry) bool {
		return e.Name() == ".git" || e.Name() == "node_modules" || !e.IsDir() && !e.Type().IsRegular()
	}), err
}

var function = regexp.MustCompile(`(?ms)^func (?:\([^)]*\) )?(\w+)\(.*?^}`)

// readersOf finds the packages whose tests name a file, and the tests that come
// to it: those whose body names it, or calls a function of the same package's
// tests that does.
func readersOf(name string) ([]reader, error) {
	found := map[string]*reader{}
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		text, err := os.ReadFile(path)
		if err == nil && bytes.Contains(text, []byte(name+`"`)) {
			found[filepath.Dir(path)] = &reader{dir: filepath.Dir(path)}
		}
		return err
	})
	var out []reader
	for _, r := range found {
		if r.tests, err = testsThatReach(r.dir, name); err != nil {
			return nil, err
		}
		out = append(out, *r)
	}
	slices.SortFunc(out, func(a, b reader) int { return strings.Compare(a.dir, b.dir) })
	return out, err
}

func testsThatReach(dir, name string) ([]string, error) {
	bodies := map[string]string{}
	files, err := filepath.Glob(filepath.Join(dir, "*_test.go"))
	if err != nil {
		return nil, err
	}
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			return nil, err
		}
		for _, m := range function.FindAllStringSubmatch(string(text), -1) {
			bodies[m[1]] += m[0]
		}
	}
	reaches := map[string]bool{}
	for f, body := range bodies {
		reaches[f] = strings.Contains(body, name+`"`)
	}
	for again := true; again; {
		again = false
		for f, body := range bodies {
			for g, hit := range reaches {
				if hit && !reaches[f] && regexp.MustCompile(`\b`+g+`\(`).MatchString(body) {
					reaches[f], again = true, true
				}
			}
		}
	}
	var tests []string
	for f, hit := range reaches {
		if hit && strings.HasPrefix(f, "Test") {
			tests = append(tests, f)
		}
	}
	slices.Sort(tests)
	return tests, nil
}

func build(dir, scratch string, programs map[string]string) (string, error) {
	if p := programs[dir]; p != "" {
		return p, nil
	}
	p := filepath.Join(scratch, strings.ReplaceAll(dir, "/", "-")+".test")
	if out, err := exec.Command("go", "test", "-c", "-o", p, "./"+dir).CombinedOutput(); err != nil {
		return "", fmt.Errorf("tests of %s: %w\n%s", dir, err, out)
	}
	programs[dir] = p
	return p, nil
}

// perturbation changes the numbers of one file.
type perturbation struct {
	name, path, tree string
	readers          []reader

	rows, cells int
	silent      []string
	told        strings.Builder // which test fails, row by row
}

// notNumbers are columns that hold no number of the outside world.
var notNumbers = regexp.MustCompile(`(?i)^(check|case|name|kind|label|source|note|.*tol(erance)?)$`)

func (p *perturbation) all() error {
	original, err := os.ReadFile(p.path)
	if err != nil {
		return err
	}
	defer os.WriteFile(p.path, original, 0o644) //nolint:errcheck // the copy is thrown away
	r := csv.NewReader(bytes.NewReader(original))
	r.Comment = '#'
	table, err := r.ReadAll()
	if err != nil {
		return fmt.Errorf("%s: %w", p.name, err)
	}
	if len(p.readers) == 0 {
		p.silent = append(p.silent, p.name+": no test reads it")
	}
	for i, row := range table[1:] {
		p.rows++
		var named []string
		for j, cell := range row {
			if j >= len(table[0]) || notNumbers.MatchString(table[0][j]) {
				continue
			}
			failed, err := p.change(table, row, j)
			row[j] = cell
			if err != nil {
				return err
			}
			if failed != "" && !slices.Contains(named, failed) {
				named = append(named, failed)
			}
		}
		if len(named) == 0 {
			p.silent = append(p.silent, fmt.Sprintf("%s, row %d: %s", p.name, i+2, strings.Join(row, ", ")))
		}
		fmt.Fprintf(&p.told, "%s, row %d (%s): %s\n", p.name, i+2, row[0], strings.Join(named, ", "))
	}
	return nil
}

// change alters one cell, a little and then a lot, until a test fails.
func (p *perturbation) change(table [][]string, row []string, j int) (failed string, err error) {
	cell := row[j]
	for _, step := range []byte{1, 5} {
		other, ok := changed(cell, step)
		if !ok {
			return "", nil
		}
		p.cells++
		row[j] = other
		if failed, err = p.failing(table); failed != "" || err != nil {
			return failed, err
		}
	}
	return "", nil
}

var failedTest = regexp.MustCompile(`(?m)^--- FAIL: (\w+)`)

// failing names a test that fails with the table in place of the file.
func (p *perturbation) failing(table [][]string) (string, error) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	if err := w.WriteAll(table); err != nil {
		return "", err
	}
	if err := os.WriteFile(p.path, b.Bytes(), 0o644); err != nil {
		return "", err
	}
	for _, r := range p.readers {
		c := exec.Command(r.program, "-test.failfast", "-test.short", "-test.timeout=20s", "-test.run", "^("+strings.Join(r.tests, "|")+")$")
		c.Dir = filepath.Join(p.tree, r.dir)
		out, err := c.CombinedOutput()
		if err == nil {
			continue
		}
		if m := failedTest.FindSubmatch(out); m != nil {
			return r.dir + " " + string(m[1]), nil
		}
		return r.dir + " (panics)", nil
	}
	return "", nil
}

// changed is a cell with one figure changed by step: the first that is not zero of a
// number, the last of any other text. ok is false for a cell without figures.
func changed(cell string, step byte) (other string, ok bool) {
	at := strings.LastIndexAny(cell, "0123456789")
	if _, err := strconv.ParseFloat(cell, 64); err == nil {
		if first := strings.IndexAny(cell, "123456789"); first >= 0 {
			at = first
		}
	}
	if at < 0 {
		return cell, false
	}
	d := cell[at] + step
	if d > '9' {
		d = cell[at] - step
	}
	return cell[:at] + string(d) + cell[at+1:], true
}
