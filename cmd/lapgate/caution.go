package main

import (
	"strings"

	"lapgate/recipe/caution"
)

// folded is a caution in lines as long as those of a help text.
func folded(c caution.Caution) string {
	const longest = 80
	var b strings.Builder
	column := 0
	for i, word := range strings.Fields(c.String()) {
		switch {
		case i == 0:
		case column+1+len(word) > longest:
			b.WriteByte('\n')
			column = 0
		default:
			b.WriteByte(' ')
			column++
		}
		b.WriteString(word)
		column += len(word)
	}
	return b.String()
}
