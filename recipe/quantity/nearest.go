package quantity

import "strings"

// Nearest is the word that was probably meant, or empty when none is close.
func Nearest(word string, words []string) string {
	best, at := "", 1+len([]rune(word))/3
	for _, w := range words {
		if n := distance(strings.ToLower(word), strings.ToLower(w)); n < at || n == at && best == "" {
			best, at = w, n
		}
	}
	return best
}

// distance counts letters to insert, drop, change or swap between two words.
func distance(a, b string) int {
	x, y := []rune(a), []rune(b)
	if len(x) > 64 || len(y) > 64 {
		return max(len(x), len(y))
	}
	before, prev, row := make([]int, len(y)+1), make([]int, len(y)+1), make([]int, len(y)+1)
	for j := range prev {
		prev[j] = j
	}
	for i := range x {
		row[0] = i + 1
		for j := range y {
			cost := 1
			if x[i] == y[j] {
				cost = 0
			}
			row[j+1] = min(prev[j+1]+1, row[j]+1, prev[j]+cost)
			if i > 0 && j > 0 && x[i] == y[j-1] && x[i-1] == y[j] {
				row[j+1] = min(row[j+1], before[j-1]+1)
			}
		}
		before, prev, row = prev, row, before
	}
	return prev[len(y)]
}
