package wording

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode"

	"lapgate/recipe/quantity"
	"lapgate/recipe/table"
)

// LanguageKey is the key of the language's own tag, as HTML takes it: en, de, fr-CA.
const LanguageKey = "language"

// Words is a translation. A nil *Words is English.
type Words struct {
	sentences map[string]string
}

// Text is what is said, in the language of the translation; in English where it has
// no sentence for it, and empty where nothing is said.
func (w *Words) Text(s Said) string {
	if s.IsZero() {
		return ""
	}
	return fill(w.sentence(s.Key), s.Args, w.Text)
}

// Of says the sentence of a key, with its arguments in pairs as for Say.
func (w *Words) Of(key string, pairs ...any) string { return w.Text(Say(key, pairs...)) }

// Word says a word of a family: of outcome, say. A word that the table does not have stays
// as it is.
func (w *Words) Word(family, word string) string { return w.Text(Word(family, word)) }

// Language is the tag of the language.
func (w *Words) Language() string { return w.Of(LanguageKey) }

// sentence is that of a key; the key itself for one of another version, so that
// something is shown that can be looked for.
func (w *Words) sentence(key string) string {
	if key == plain {
		return "{text}"
	}
	if w != nil {
		if text, ok := w.sentences[key]; ok {
			return text
		}
	}
	if text, ok := English(key); ok {
		return text
	}
	return key
}

// The columns of a translation.
const (
	keyColumn = iota
	englishColumn
	translationColumn
)

func columns() []table.Column {
	return []table.Column{
		keyColumn:         {Name: "key", Required: true, Unique: true},
		englishColumn:     {Name: "english"},
		translationColumn: {Name: "translation"},
	}
}

// Lacks is what a translation leaves to be done. English stands in for it.
type Lacks struct {
	Missing []string // keys without a translation, in the order of the table
	// Changed are keys whose sentence in English is another than the one that stands
	// beside the translation: it may say something else now.
	Changed []string
}

// Read reads a translation: a table by the rules of recipe/table with the columns key,
// english and translation, as Template writes it. Messages call it by name. The
// error tells all that is wrong at once: keys that the table of sentences does not
// have, placeholders that are missing or that the sentence does not have, and
// characters that no sentence holds. What is merely not translated is no error.
func Read(name string, in io.Reader) (*Words, Lacks, error) {
	w, t := &Words{sentences: map[string]string{}}, table.NewReader(name, in, columns())
	var lacks Lacks
	for t.Next() {
		key, english, text := t.Text(keyColumn), t.Text(englishColumn), t.Text(translationColumn)
		sentence, known := English(key)
		if !known {
			p := table.Problem{Text: "no sentence has this key", Got: key, Remedy: "take the row out; lapgate words prints the keys there are"}
			if near := quantity.Nearest(key, keys()); near != "" {
				p.Want = near
			}
			t.Fail(keyColumn, p)
			continue
		}
		if text == "" {
			continue
		}
		for _, p := range problemsOf(sentence, text) {
			t.Fail(translationColumn, p)
		}
		if english != "" && english != sentence {
			lacks.Changed = append(lacks.Changed, strings.Clone(key))
		}
		w.sentences[strings.Clone(key)] = strings.Clone(text)
	}
	t.NeedRows("sentences")
	if err := t.Err(); err != nil {
		return nil, Lacks{}, err
	}
	for i := range sentences {
		if _, ok := w.sentences[sentences[i].Key]; !ok {
			lacks.Missing = append(lacks.Missing, sentences[i].Key)
		}
	}
	return w, lacks, nil
}

// problemsOf is what is wrong with a translation of a sentence.
func problemsOf(sentence, text string) (out []table.Problem) {
	want, got := Places(sentence), Places(text)
	for _, name := range want {
		if !slices.Contains(got, name) {
			out = append(out, table.Problem{Text: "the sentence lacks a placeholder", Want: "{" + name + "}", Remedy: "write it where " + meaningOf(name) + " belongs"})
		}
	}
	for _, name := range got {
		if !slices.Contains(want, name) {
			out = append(out, table.Problem{Text: "the sentence has nothing for a placeholder", Got: "{" + name + "}", Want: listed(want), Remedy: "write one of those"})
		}
	}
	if strings.Count(text, "{") != strings.Count(text, "}") {
		out = append(out, table.Problem{Text: "a brace stands alone", Remedy: "a placeholder begins with { and ends with }"})
	}
	if i := strings.IndexFunc(text, strange); i >= 0 {
		out = append(out, table.Problem{Text: "a character that no sentence holds", Got: fmt.Sprintf("%q", []rune(text[i:])[0]), Remedy: "write it as plain text"})
	}
	return out
}

// strange tells of a character that is not shown, or turns the text around it.
func strange(r rune) bool {
	return unicode.IsControl(r) || r == unicode.ReplacementChar || unicode.Is(unicode.Bidi_Control, r) || r == '\u2028' || r == '\u2029'
}

func listed(names []string) string {
	if len(names) == 0 {
		return "none"
	}
	return "{" + strings.Join(names, "}, {") + "}"
}

// Template is the table as a translation to begin with.
func Template() string {
	var b strings.Builder
	b.WriteString("# The sentences that people at the line read. Write into the column translation; leave key and english.\n")
	b.WriteString("# What stands in braces stays as it is, in any order; it is replaced by\n")
	for _, p := range placeholders {
		fmt.Fprintf(&b, "#   {%s} %s: %s\n", p.Name, p.Meaning, p.Kind)
	}
	b.WriteString("# Sentences with caution. in their key keep people from harm: have them read by whoever answers for safety.\n")
	b.WriteString("key,english,translation\n")
	for i := range sentences {
		fmt.Fprintf(&b, "%s,%s,\"\"\n", sentences[i].Key, quoted(sentences[i].English))
	}
	return b.String()
}

// quoted is a cell in quotes.
func quoted(text string) string { return `"` + strings.ReplaceAll(text, `"`, `""`) + `"` }
