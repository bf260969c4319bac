package configs

import (
	"bytes"
	"embed"
	"io/fs"
)

//go:embed handbook/*.md
var handbook embed.FS

// Handbook is the text of the handbook: its chapters in the order of their files. What
// the program has a table of stands in it as a name between [[ and ]].
func Handbook() []byte {
	names, err := fs.Glob(handbook, "handbook/*.md")
	if err != nil {
		panic("configs: " + err.Error()) // the pattern is fixed
	}
	var chapters [][]byte
	for _, name := range names {
		text, err := handbook.ReadFile(name)
		if err != nil {
			panic("configs: " + err.Error()) // it is part of the program
		}
		chapters = append(chapters, text)
	}
	return bytes.Join(chapters, []byte("\n"))
}
