package config

import (
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
)

func TestSecretsAreMasked(t *testing.T) {
	d := &decoder{file: "f", at: map[string]position{}}
	d.leaves = []leaf{
		{path: "a", field: &field{secret: true}, value: "open sesame"},
		{path: "b", field: &field{}, value: "plain"},
	}
	s := d.snapshot(&document{})
	if got := s.Effective(); got[0].Value != "***" || got[1].Value != "plain" {
		t.Errorf("%+v", got)
	}
	d.leaves[0].value = "another"
	if d.snapshot(&document{}).Hash != s.Hash {
		t.Error("the hash tells of a secret")
	}
}

// A key whose meaning speaks of a file or a folder is a path.
func TestEveryPathIsMarked(t *testing.T) {
	speaks := regexp.MustCompile(`^(file|folder|directory|Unix socket)\b|file:PATH`)
	marked := 0
	var visit func(typ reflect.Type, path string)
	visit = func(typ reflect.Type, path string) {
		for _, f := range fields(typ) {
			key := join(path, f.key)
			switch {
			case f.section():
				visit(f.typ, key)
			case f.list() && f.typ.Elem().Kind() == reflect.Struct:
				visit(f.typ.Elem(), key)
			case f.path != speaks.MatchString(f.doc):
				t.Errorf("%s: marked as a path: %v; its meaning is %q", key, f.path, f.doc)
			case f.path && f.typ.Kind() != reflect.String:
				t.Errorf("%s: a path that is no text", key)
			case f.path:
				marked++
			}
		}
	}
	visit(reflect.TypeFor[document](), "")
	if marked < 8 {
		t.Errorf("only %d paths seen", marked)
	}
}

// Every key of the tags has a meaning, and where it has no default it has a
// sample or is a list of sections.
func TestEveryKeyIsDocumented(t *testing.T) {
	keys := 0
	var visit func(typ reflect.Type, path string)
	visit = func(typ reflect.Type, path string) {
		for _, f := range fields(typ) {
			key := join(path, f.key)
			keys++
			switch {
			case f.section():
				visit(f.typ, key)
				continue
			case f.list() && f.typ.Elem().Kind() == reflect.Struct:
				visit(f.typ.Elem(), key)
			case !f.hasDefault && !f.optional && sample(key) == "":
				t.Errorf("%s has neither default nor sample", key)
			}
			if f.doc == "" {
				t.Errorf("%s has no doc", key)
			}
		}
	}
	visit(reflect.TypeFor[document](), "")
	if keys < 150 {
		t.Errorf("only %d keys seen", keys)
	}
}

// Secrets lists each key that says where a secret or a key is read.
func TestEverySecretIsListed(t *testing.T) {
	s := &Snapshot{Lines: make([]Line, 1)}
	var want []string
	var fill func(v reflect.Value, path string)
	fill = func(v reflect.Value, path string) {
		for _, f := range fields(v.Type()) {
			at := v.FieldByIndex(f.index)
			switch {
			case f.section():
				fill(at, join(path, f.key))
			case f.secret || strings.Contains(f.doc, "only its owner may touch"):
				at.SetString(fromFile + "x")
				want = append(want, join(path, f.key))
			}
		}
	}
	fill(reflect.ValueOf(&s.Status).Elem(), "status")
	fill(reflect.ValueOf(&s.Publish).Elem(), "publish")
	fill(reflect.ValueOf(&s.Engine).Elem(), "engine")
	fill(reflect.ValueOf(&s.Lines[0].Controller).Elem(), "lines.0.controller")
	var got []string
	for _, k := range s.Secrets() {
		got = append(got, k.Key)
	}
	slices.Sort(want)
	slices.Sort(got)
	if !slices.Equal(got, want) || len(want) < 7 {
		t.Errorf("listed are %q, want %q", got, want)
	}
}
