package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

var (
	// A call as messages, help and guides write it, and what follows on its line from its
	// first flag on, up to the end of a quotation (\x60).
	calledInText = regexp.MustCompile(`lapgate((?: [^\s\x60-][^\s\x60]*)*)( --[^\n\x60]*)`)
	flagInText   = regexp.MustCompile(`(?:^|[\s"'(\[$])--([a-z][a-z-]*)`)
	// A call of another program, whose flags are its own.
	calledOfOthers = regexp.MustCompile(`\b(?:dpkg|systemctl) [^\n\x60]*`)
)

// spoken are the texts of a file that people read: of a Go file its strings.
func spoken(t *testing.T, path string) []string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if filepath.Ext(path) != ".go" {
		return []string{string(text)}
	}
	file, err := parser.ParseFile(token.NewFileSet(), path, text, 0)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	ast.Inspect(file, func(n ast.Node) bool {
		if l, ok := n.(*ast.BasicLit); ok && l.Kind == token.STRING {
			s, _ := strconv.Unquote(l.Value) // it was parsed
			out = append(out, s)
		}
		return true
	})
	return out
}

// TestRemediesExist: a message, help text, alerting rule or guide names no flag that no
// command has, and with a command only flags of that command.
func TestRemediesExist(t *testing.T) {
	known := map[string]bool{}
	for _, f := range allFlags() {
		known[f.Name] = true
	}
	root := (&program{stdin: strings.NewReader(""), stdout: io.Discard, stderr: io.Discard}).root()
	calls := 0
	look := func(path, text string) {
		text = calledOfOthers.ReplaceAllString(text, "")
		for _, m := range flagInText.FindAllStringSubmatch(text, -1) {
			if !known[m[1]] && m[1] != "help" {
				t.Errorf("%s names --%s, and no command has that flag", path, m[1])
			}
		}
		for _, m := range calledInText.FindAllStringSubmatch(text, -1) {
			c, _, err := root.Find(strings.Fields(m[1]))
			if err != nil {
				t.Errorf("%s: %s: %v", path, m[0], err)
				continue
			}
			calls++
			flags, _, _ := strings.Cut(m[2], " lapgate ")
			for _, f := range flagInText.FindAllStringSubmatch(flags, -1) {
				if c.Flags().Lookup(f[1]) == nil && f[1] != "help" {
					t.Errorf("%s names %s --%s, and that command has no such flag", path, c.CommandPath(), f[1])
				}
			}
		}
	}
	for _, dir := range []string{"../../cmd", "../../gateway", "../../recipe", "../../sim", "../../configs"} {
		err := filepath.WalkDir(dir, func(path string, _ fs.DirEntry, err error) error {
			if err == nil && !strings.HasSuffix(path, "_test.go") && slices.Contains([]string{".go", ".md", ".yaml", ".html", ".tmpl", ".service"}, filepath.Ext(path)) {
				for _, text := range spoken(t, path) {
					look(path, text)
				}
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	look("README.md", spoken(t, "../../README.md")[0])
	if calls < 60 {
		t.Errorf("%d calls with flags were looked at", calls)
	}
}
