// Package wording is the one table of the sentences that people at a line read,
// and their translation into the language of a mill.
//
// Whatever is to be told is kept as a Said: the key of its sentence and what
// stands in it, free of any language. It becomes text in one place, where a page,
// a log or a terminal shows it: by Words.Text in the language of the mill, by
// Said.String in English. Codes, names, numbers and units stay as they are.
package wording

import (
	"fmt"
	"slices"
	"strings"
)

// Said is a sentence of the table, or a few words of it, with what stands in it.
// The zero value says nothing.
type Said struct {
	Key  string `json:"key"`
	Args []Arg  `json:"args,omitempty"`
}

// Arg is what stands in the place of one placeholder: a text that no translation
// changes, or another sentence of the table.
type Arg struct {
	Name string `json:"name"`
	Text string `json:"text,omitempty"`
	Said *Said  `json:"said,omitempty"`
}

// Say says the sentence of a key. The arguments are in pairs, the name of a
// placeholder and what stands there: a Said, or anything else as it is printed.
func Say(key string, pairs ...any) Said {
	s := Said{Key: key}
	for i := 0; i+1 < len(pairs); i += 2 {
		a := Arg{Name: fmt.Sprint(pairs[i])}
		switch v := pairs[i+1].(type) {
		case Said:
			a.Said = &v
		case string:
			a.Text = v
		default:
			a.Text = fmt.Sprint(v)
		}
		s.Args = append(s.Args, a)
	}
	return s
}

// SayCount says the sentence of a key about n things, where they are one or none that of
// the key with .one or .none behind it, if the table has it. The number stands at {count}.
func SayCount(key string, n int, pairs ...any) Said {
	of := key
	switch n {
	case 0:
		of += ".none"
	case 1:
		of += ".one"
	}
	if _, ok := places[of]; ok {
		key = of
	}
	return Say(key, append(pairs, "count", n)...)
}

// plain is the key of what is no sentence of the table.
const plain = "plain"

// Plain says a text that no translation changes: a name, a quantity, or what an older
// version recorded in English alone.
func Plain(text string) Said { return Said{Key: plain, Args: []Arg{{Name: "text", Text: text}}} }

// KeyOf is the key of a word of a family, in small letters.
func KeyOf(family, word string) string {
	return family + "." + strings.NewReplacer(", ", "-", "; ", "-", ": ", "-", " ", "-", "_", "-").Replace(strings.ToLower(word))
}

// Word is a word of a family as it is said: of outcome, say. One that the table does not
// have is Plain.
func Word(family, word string) Said {
	key := KeyOf(family, word)
	if _, ok := English(key); !ok {
		return Plain(word)
	}
	return Say(key)
}

// Join says several things as one, by a sentence that has the places {first} and
// {rest}. It says nothing for none.
func Join(key string, list []Said) Said {
	if len(list) == 0 {
		return Said{}
	}
	out := list[len(list)-1]
	for i := len(list) - 2; i >= 0; i-- {
		out = Say(key, "first", list[i], "rest", out)
	}
	return out
}

// IsZero reports whether nothing is said.
func (s Said) IsZero() bool { return s.Key == "" }

// String is what is said in English.
func (s Said) String() string { return (*Words)(nil).Text(s) }

// InEnglish is what each says in English, nil for none.
func InEnglish(list []Said) (out []string) {
	for _, s := range list {
		out = append(out, s.String())
	}
	return out
}

// English is the sentence of a key with its placeholders; ok is false for a key
// that the table does not have.
func English(key string) (sentence string, ok bool) {
	i, ok := places[key]
	if !ok {
		return "", false
	}
	return sentences[i].English, true
}

// fill puts what stands in a sentence into its places. A place for which nothing
// was given stays as it is, so that nobody takes it for an empty one.
func fill(sentence string, args []Arg, text func(Said) string) string {
	if len(args) == 0 || !strings.Contains(sentence, "{") {
		return sentence
	}
	var b strings.Builder
	for {
		before, name, after, ok := place(sentence)
		b.WriteString(before)
		if !ok {
			return b.String()
		}
		b.WriteString(argument(name, args, text))
		sentence = after
	}
}

func argument(name string, args []Arg, text func(Said) string) string {
	for i := range args {
		switch a := &args[i]; {
		case a.Name != name:
		case a.Said != nil:
			return text(*a.Said)
		default:
			return a.Text
		}
	}
	return "{" + name + "}"
}

// place cuts a sentence at its first placeholder; ok is false where it has none.
func place(sentence string) (before, name, after string, ok bool) {
	before, rest, found := strings.Cut(sentence, "{")
	if !found {
		return sentence, "", "", false
	}
	name, after, found = strings.Cut(rest, "}")
	if !found {
		return sentence, "", "", false
	}
	return before, name, after, true
}

// Places are the names of the placeholders of a sentence, in their order, each
// once.
func Places(sentence string) (names []string) {
	for {
		_, name, after, ok := place(sentence)
		if !ok {
			return names
		}
		if !slices.Contains(names, name) {
			names = append(names, name)
		}
		sentence = after
	}
}
