package config

import (
	"cmp"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"lapgate/gateway/plainfile"
	"lapgate/recipe/table"
	"lapgate/recipe/wording"
)

// Words is the language of the people at the line.
type Words struct {
	File string `cfg:"file" default:"" path:"true" doc:"file of a translation of the sentences that people at the line read, a table as lapgate words prints it; empty for English. Codes, the journal and messages about the configuration stay in English"`
}

// readWords reads the translation, nil for none. What is wrong with it is a problem
// of the configuration; what it lacks is a warning, since English stands in.
func (d *decoder) readWords(c Words) *wording.Words {
	const key = "words.file"
	if c.File == "" || !d.good(key) {
		return nil
	}
	f, err := plainfile.Open(c.File)
	if err != nil {
		d.problem(d.where(key), key, "cannot read the translation", plainfile.Reason(err).Error(), "a readable file", "check the path, or write one that begins with what lapgate words prints")
		return nil
	}
	defer func() { _ = f.Close() }() // only read
	words, lacks, err := wording.Read(c.File, f)
	var wrong *table.Problems
	switch {
	case errors.As(err, &wrong):
		for _, p := range wrong.List {
			d.problem(d.where(key), key, fmt.Sprintf("%s:%d:%d: %s: %s", c.File, p.Line, p.Column, p.Field, p.Text),
				cmp.Or(p.Got, "nothing"), cmp.Or(p.Want, "a sentence that fits"), cmp.Or(p.Remedy, "lapgate words FILE checks it alone"))
		}
		return nil
	case err != nil:
		d.problem(d.where(key), key, "cannot read the translation", plainfile.Reason(err).Error(), "a readable file", "check the file")
		return nil
	}
	if n := len(lacks.Missing); n > 0 {
		d.warning(d.where(key), key, "sentences without a translation", strconv.Itoa(n)+", as "+few(lacks.Missing), "one for each", "English stands in for them; lapgate words FILE lists them")
	}
	if n := len(lacks.Changed); n > 0 {
		d.warning(d.where(key), key, "sentences that say something else in English than when they were translated", strconv.Itoa(n)+", as "+few(lacks.Changed), "the sentence of this version beside each", "look at them again; lapgate words FILE lists them")
	}
	return words
}

// few names the first keys of a list.
func few(keys []string) string {
	const most = 3
	text := strings.Join(keys[:min(len(keys), most)], ", ")
	if len(keys) > most {
		text += " …"
	}
	return text
}
