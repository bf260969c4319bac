// Package wordingtest looks for sentences that were not translated.
package wordingtest

import (
	"strings"
	"testing"

	"lapgate/configs"
	"lapgate/recipe/wording"
)

// German is the sample translation.
func German(tb testing.TB) *wording.Words {
	tb.Helper()
	w, _, err := wording.Read("words-de.csv", strings.NewReader(string(configs.German())))
	if err != nil {
		tb.Fatal(err)
	}
	return w
}

// least is how long a piece of a sentence is to be told from names and numbers.
const least = 14

// EnglishIn lists the keys of the sentences of which a piece stands in a text in
// English, although their translation has none such.
func EnglishIn(w *wording.Words, text string) (keys []string) {
	for _, e := range wording.Entries() {
		for _, piece := range pieces(e.English) {
			if len(piece) >= least && strings.Contains(text, piece) && !strings.Contains(w.Of(e.Key), piece) {
				keys = append(keys, e.Key)
				break
			}
		}
	}
	return keys
}

// pieces are what stands between the placeholders of a sentence.
func pieces(sentence string) []string {
	for _, name := range wording.Places(sentence) {
		sentence = strings.ReplaceAll(sentence, "{"+name+"}", "\x00")
	}
	return strings.Split(sentence, "\x00")
}
