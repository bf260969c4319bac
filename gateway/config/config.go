// Package config reads the configuration of the gateway: one YAML file, with
// overrides from the environment and from flags, decoded strictly against the
// tags of the structures it fills. Every problem is reported at once with its
// place, what was got, what was wanted and the remedy. A configuration that
// Load accepts is one that the gateway runs; there is no second check.
package config

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"

	"lapgate/gateway/plainfile"
	"lapgate/gateway/tags"
	"lapgate/recipe"
	"lapgate/recipe/rate"
	"lapgate/recipe/wording"
)

// Source is where a configuration comes from. Flags win over the environment,
// and that over the file.
type Source struct {
	// Path of the file. It also names the file in messages, and relative paths
	// in the configuration begin at its folder.
	Path string
	// Bytes of the file; where nil they are read from Path.
	Bytes []byte
	// Env is the environment as "NAME=value", of which LAPGATE_LOG_LEVEL and
	// the like count: the sections units, log, status and journal, in capitals
	// and joined by underscores. Nil for none.
	Env []string
	// Set holds the flags --set key=value by key, as in
	// lines.0.controller.address. Elements of lists count from 0.
	Set map[string]string
}

// Snapshot is a whole, valid configuration. It is never changed after Load;
// any number of goroutines may read it.
type Snapshot struct {
	File      string
	Units     Units
	Log       Log
	Status    Status
	Journal   Journal
	Control   Control
	Publish   Publish
	Engine    Engine
	Shifts    Shifts
	Words     *wording.Words // what people at the line read; nil for English
	Materials recipe.Materials
	Lines     []Line
	// Hash is the first 32 bits of a SHA-256 over the effective values in
	// their held units, defaults included and secrets left out. Two
	// configurations that say the same in other units or order of keys have
	// the same hash.
	Hash uint32
	// Warnings are what is legal but looks wrong, in order of position.
	Warnings []Problem
	// Unmeasured are the settings that decide over the quality of a wrap and
	// that nobody has measured on the line, in order of position.
	Unmeasured []Problem
	// Open are the values that are to be measured before a line may be armed, in order
	// of position, each with how it is measured.
	Open []Problem

	text   lineTexts
	values values
}

// Line is one line of a configuration.
type Line struct {
	Recipe     *recipe.Line
	Work       rate.Work // of the people at the line
	Controller Controller
	// Mapped are the tags of a controller of profile mapped, nil for one of
	// profile blocks.
	Mapped  *tags.Mapping
	Scanner Scanner
	Orders  Orders
	Arming  Arming
}

// beginning is what to do where there is no configuration yet.
const beginning = "have a first one made by lapgate init FILE"

// maxBytes bounds a configuration file.
const maxBytes = 1 << 20

// Load reads, decodes and checks a configuration. The error is a *Error with
// every problem.
func Load(src Source) (*Snapshot, error) {
	d := &decoder{file: src.Path, folder: filepath.Dir(src.Path), at: map[string]position{}}
	if d.file == "" {
		d.file = "config"
	}
	data := src.Bytes
	if data == nil {
		var p *Problem
		if data, p = read(src.Path); p != nil {
			p.File = d.file
			return nil, &Error{Problems: []Problem{*p}}
		}
	}
	root := d.parse(data)
	if root == nil {
		return nil, d.failed(data)
	}
	d.override(root, src.Env, src.Set)
	var doc document
	d.structure(reflect.ValueOf(&doc).Elem(), root, "", root.pos)
	d.cross(&doc)
	words := d.readWords(doc.Words)
	if len(d.problems) > 0 {
		return nil, d.failed(data)
	}
	s := d.snapshot(&doc)
	s.Words = words
	s.text = textsOf(d.withoutSecrets(string(data)), root)
	return s, nil
}

// withoutSecrets puts stars wherever a text has what a secret key says: it tells where
// a secret is, and by mistake may be one.
func (d *decoder) withoutSecrets(text string) string {
	for i := range d.leaves {
		l := &d.leaves[i]
		if said := l.canonical(&d.known); l.field.secret && said != "" {
			text = strings.ReplaceAll(text, said, hidden)
		}
	}
	return text
}

// read returns the bytes of the file, or why not.
func read(path string) ([]byte, *Problem) {
	if path == "" {
		return nil, &Problem{Text: "no configuration", Got: "no file name", Want: "the path of a configuration file", Remedy: "give one with --config"}
	}
	f, err := plainfile.Open(path)
	if err == nil {
		defer func() { _ = f.Close() }() // only read
		var data []byte
		data, err = io.ReadAll(io.LimitReader(f, maxBytes+1))
		if err == nil {
			return data, nil
		}
	}
	p := &Problem{Text: "cannot read the configuration", Got: plainfile.Reason(err).Error(), Want: "a readable file", Remedy: "check the path"}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		p.Remedy = "check the path, or " + beginning
	case errors.Is(err, plainfile.ErrNotPlain):
		p.Remedy = "write it into a file"
	case errors.Is(err, fs.ErrPermission):
		p.Remedy = "let the user of the gateway read it"
	}
	return nil, p
}

func (d *decoder) failed(data []byte) error {
	quote(d.problems, data)
	sortProblems(d.problems)
	sortProblems(d.warnings)
	return &Error{Problems: d.problems, Warnings: d.warnings}
}

// snapshot builds the result from a document without problems.
func (d *decoder) snapshot(doc *document) *Snapshot {
	s := &Snapshot{
		File: d.file, Units: doc.Units, Log: doc.Log, Status: doc.Status,
		Journal: doc.Journal, Control: doc.Control, Publish: doc.Publish, Engine: doc.Engine, Shifts: doc.Shifts, Materials: doc.Materials,
	}
	s.values.stored = make([]storedValue, 0, len(d.leaves))
	sum, said := sha256.New(), []byte(nil)
	var opened []recipe.Open
	mill := recipe.Line{Units: doc.Units.byDimension()}
	for i := range d.leaves {
		l := &d.leaves[i]
		origin := d.origin(l.pos)
		text := l.canonical(&d.known)
		shown := l.shown(&d.known, &doc.Units)
		if l.open {
			stands := l.standsIn(&mill)
			opened = append(opened, recipe.Open{Key: l.path, Where: origin, StandsIn: stands, How: l.field.measure})
			s.Open = append(s.Open, d.entryOf(l.pos, l.path, "not measured yet, "+stands+" stands in", open, l.field.wantedIn(mill.Unit(l.field.unit)), l.field.measure))
		}
		if l.field.secret {
			// That there is none is no secret.
			if text != "" {
				shown = hidden
			}
		} else {
			said = append(strconv.AppendQuote(append(append(said[:0], l.path...), '='), text), '\n')
			sum.Write(said)
		}
		s.values.add(Value{Key: l.path, Value: shown, Origin: origin, Restart: l.restart})
	}
	s.Hash = binary.BigEndian.Uint32(sum.Sum(nil))
	for i := range doc.Lines {
		l := &doc.Lines[i]
		l.Materials = doc.Materials
		l.Origins = func(key string) string { return s.values.origin(i, key) }
		l.Units = mill.Units
		l.Open = openOf(opened, i)
		s.Lines = append(s.Lines, Line{Recipe: &l.Line, Work: l.Work, Controller: l.Controller, Mapped: l.mapping, Scanner: l.Scanner, Orders: l.Orders, Arming: l.Arming})
	}
	s.values.numbers = nil
	sortProblems(d.warnings)
	sortProblems(d.unmeasured)
	sortProblems(s.Open)
	s.Warnings, s.Unmeasured = d.warnings, d.unmeasured
	return s
}

// openOf are the open settings that count for a line: those of the materials, which
// all lines share, and its own.
func openOf(all []recipe.Open, line int) (out []recipe.Open) {
	for _, o := range all {
		if !strings.HasPrefix(o.Key, "lines.") || strings.HasPrefix(o.Key, fmt.Sprintf("lines.%d.", line)) {
			out = append(out, o)
		}
	}
	return out
}
