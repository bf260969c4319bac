package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"lapgate/configs"
	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/link"
)

// operator is what a daemon answers whose lines are not served yet: it judges what it is asked.
func operator(t *testing.T) *gateway.Operator {
	t.Helper()
	s, err := config.Load(config.Source{Path: "demo.yaml", Bytes: configs.Demo()})
	if err != nil {
		t.Fatal(err)
	}
	var dialers connect.Dialers
	g, err := gateway.New(gateway.Options{
		Snapshot: s, OpenJournal: gateway.OpenJournals(s),
		Dialer: func(l *config.Line) (link.Dialer, error) { return dialers.Of(l, func(link.Warning) {}) },
	})
	if err != nil {
		t.Fatal(err)
	}
	return &gateway.Operator{Gateway: g}
}

// A line that is not there is wrong usage, whether the command itself sees it or the daemon does.
func TestUnknownLineIsWrongUsage(t *testing.T) {
	files, daemon, table, n := flagFiles(t), operator(t), allEffects(), 0
	for _, f := range allFlags() {
		if f.Name != "line" || f.command == "journal verify" { // that one takes a line with --engine alone
			continue
		}
		n++
		i := slices.IndexFunc(table, func(e effects) bool { return e.command == f.command })
		words, _ := table[i].call(table[i].with["line"])
		if j := slices.Index(words, "--folder"); j >= 0 { // without it the folder is that of the line
			words = slices.Replace(words, j, j+2, "--config", "demo.yaml")
		}
		got := outcomeBeside(t, daemon.Handle, files, append(words, "--line", "nowhere"))
		if code, said, _ := strings.Cut(got, "\n"); code != "exit code 2" || !strings.Contains(said, `no line is named "nowhere"`) {
			t.Errorf("%v --line nowhere: %s\n%.200s", words, code, said)
		}
	}
	if n < 25 {
		t.Errorf("only %d commands take --line", n)
	}
}

// A time is above 0 and has a unit, and what is said of another one is no word of the program's
// own parts.
func TestTimesOfFlags(t *testing.T) {
	n := 0
	for _, f := range allFlags() {
		if f.Value.Type() != "duration" {
			continue
		}
		n++
		for _, text := range []string{"", "5", "0", "-5s", "x", "99999999h"} {
			var stderr bytes.Buffer
			code := run(append(strings.Fields(f.command), "--"+f.Name+"="+text), nil, strings.NewReader(""), io.Discard, &stderr)
			want := fmt.Sprintf("invalid argument %q for %q flag: want a time ", text, "--"+f.Name)
			if code != exitUsage || !strings.HasPrefix(stderr.String(), want) || strings.Contains(stderr.String(), "time:") {
				t.Errorf("%s --%s=%s ended with %d: %s", f.command, f.Name, text, code, stderr.String())
			}
		}
	}
	if n < 20 {
		t.Errorf("only %d flags are times", n)
	}
}

// What a command draws or writes beside what it prints never takes the place of another file, and
// that of an earlier call is written again.
func TestNoOtherFileIsWrittenOver(t *testing.T) {
	files, daemon, table := flagFiles(t), operator(t), allEffects()
	files["again.svg"], files["again.html"], files["again.json"], files["other.html"], files["other.csv"] = "<svg>", "<!doctype html>", "{}", "<!doctype html>", "roll,width (in)"
	over := func(f aFlag, path string) string {
		e := &table[slices.IndexFunc(table, func(e effects) bool { return e.command == f.command })]
		words, _ := e.call(e.with[f.Name])
		if f.command == "demo" {
			words = []string{"demo", "--rolls", "1", "--speed", "1000"}
		}
		return outcomeBeside(t, daemon.Handle, files, append(words, "--"+f.Name, path))
	}
	const kept = "is there already, begins otherwise than what would be written, and stays as it is; name another file\n"
	n := 0
	for _, f := range allFlags() {
		again := map[string]string{"svg": "again.svg", "html": "again.html", "report": "again.html", "ledger": "again.json"}[f.Name]
		if again == "" {
			continue
		}
		n++
		for _, path := range []string{"other.yaml", "north.db", "pki/own/key.pem"} {
			got := over(f, path)
			if !strings.HasPrefix(got, "exit code 1\n"+path+" "+kept) || !strings.Contains(got, fmt.Sprintf("/%s %d\n", path, len(files[path]))) {
				t.Errorf("%s --%s %s: %.300s", f.command, f.Name, path, got)
			}
		}
		if got := over(f, "pki"); !strings.HasPrefix(got, "exit code 1\npki is a folder; name a file in it\n") {
			t.Errorf("%s --%s pki: %.300s", f.command, f.Name, got)
		}
		if f.command == "demo" { // which would go on, in real time
			continue
		}
		if got := over(f, again); strings.Contains(got, kept) {
			t.Errorf("%s --%s %s: %.300s", f.command, f.Name, again, got)
		}
		if f.command == "report" { // the table beside the page
			got := over(f, "other.html")
			if !strings.HasPrefix(got, "exit code 1\nother.csv "+kept) || !strings.Contains(got, "/other.csv 15\n") || !strings.Contains(got, "/other.html 15\n") {
				t.Errorf("%s --%s other.html: %.300s", f.command, f.Name, got)
			}
		}
	}
	if n < 9 {
		t.Errorf("only %d flags name such a file", n)
	}
}

// A folder that is a file is told of before anything is done.
func TestFoldersOfFlags(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, f := range allFlags() {
		if !slices.Contains([]string{"folder", "journal", "tls", "state", "opcua-trust", "opcua-user-certificates"}, f.Name) {
			continue
		}
		n++
		var stderr bytes.Buffer
		code := run(append(strings.Fields(f.command), "--"+f.Name, file), nil, strings.NewReader(""), io.Discard, &stderr)
		if code != exitUsage || !strings.HasPrefix(stderr.String(), fmt.Sprintf("invalid argument %q for %q flag: want a folder, and that is a file", file, "--"+f.Name)) {
			t.Errorf("%s --%s ended with %d: %s", f.command, f.Name, code, stderr.String())
		}
	}
	if n < 10 {
		t.Errorf("only %d flags name a folder", n)
	}
}

// What was got stands in quotes, so that nothing and a space are seen, and what is wanted beside it.
func TestWrongUsageIsPlain(t *testing.T) {
	files := flagFiles(t)
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"config", "", "--config", "demo.yaml"}, `no key is or begins with ""; lapgate config lists all`},
		{[]string{"check", "", "--config", "demo.yaml"}, `the configuration is named twice, as "" and as --config demo.yaml; name it once`},
		{[]string{"conform", "--config", "demo.yaml", "--by", "kim", "--case", ""}, `no case is named ""; --list names all`},
		{[]string{"recipe", "", "--diameter", "50in"}, `--diameter is for one roll, and "" is a list: leave one of them out`},
		{[]string{"trust", "show", ""}, `"" is neither a file nor an endpoint as opc.tcp://host:port`},
		{[]string{"journal", "list", "north.db", "--kind", "none"}, `--kind: no records are of kind "none"; want one of SESSION`},
		{[]string{"compare", "north.db", "--show", "-1"}, "--show: got -1, want 0 or more"},
		{[]string{"replay", "north.db", "--config", "demo.yaml", "--show", "-1"}, "--show: got -1, want 0 or more"},
		{[]string{"probe", "modbus", "nowhere"}, `address "nowhere": missing port in address, want host:port`},
		{[]string{"replay", "", "--config", "demo.yaml"}, "no file is named; name a file that can be read"},
		{[]string{"replay", "pki", "--config", "demo.yaml"}, "pki: is a directory; name a file that can be read"},
		{[]string{"calibrate", "--by", "kim", "--bond", "none.csv", "--config", "demo.yaml"}, "none.csv: no such file or directory; name a file that can be read"},
		{[]string{"man", "demo.yaml"}, `"demo.yaml": want a folder, and that is a file`},
		{[]string{"handbook", "--output", "none/handbook.html"}, "none/handbook.html: no such file or directory; name a file that can be written"},
	} {
		if got := outcome(t, files, c.args); !strings.Contains(got, c.want) {
			t.Errorf("%q: want %s\n%.300s", c.args, c.want, got)
		}
	}
}
