package config_test

import (
	"strings"
	"testing"

	"lapgate/configs"
	"lapgate/gateway/config"
)

// TestTextOfALine cuts the text of a configuration of three lines, with a section behind.
func TestTextOfALine(t *testing.T) {
	head, line, ok := strings.Cut(string(configs.Demo()), "\nlines:\n")
	if !ok {
		t.Fatal("the demo's configuration has no lines")
	}
	text := head + "\nlines:\n"
	for _, n := range []string{"north", "east", "south"} {
		text += strings.NewReplacer("name: north", "name: "+n, "127.0.0.1:1502", n+":1502").Replace(line)
	}
	text += "shifts:\n  starts: \"06:00\"\n"
	s, err := config.Load(config.Source{Path: "mill.yaml", Bytes: []byte(text)})
	if err != nil {
		t.Fatal(err)
	}
	if s.Text() != text {
		t.Error("the whole text is another")
	}
	for i := range s.Lines {
		got := s.TextFor(i)
		if one, err := config.Load(config.Source{Path: "mill.yaml", Bytes: []byte(got)}); err != nil || len(one.Lines) != 1 || one.Lines[0].Recipe.Name != s.Lines[i].Recipe.Name {
			t.Errorf("the text of line %d is no configuration of it: %v", i, err)
		}
		if !strings.HasPrefix(got, head) || !strings.Contains(got, "\nshifts:\n") || strings.Count(got, "other lines are left out") != 1 {
			t.Errorf("the text of line %d lacks what all lines share", i)
		}
	}
	alone, err := config.Load(config.Source{Path: "mill.yaml", Bytes: configs.Demo()})
	if err != nil || alone.TextFor(0) != string(configs.Demo()) {
		t.Error("the text of the one line is not that of the file", err)
	}
}
