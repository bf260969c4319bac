package config

import (
	"path/filepath"
	"strings"
)

// none is what a key says whose file, folder or address a line does without.
const none = "none"

// resolve makes a path of a configuration one that can be opened: a relative
// path begins at the folder of the configuration file, wherever the program is
// started. Empty text and "none" name no file; of a place to read a secret from
// only file:PATH has a path.
func resolve(folder, text string) string {
	path, isFile := strings.CutPrefix(text, fromFile)
	switch {
	case path == "" || path == none || filepath.IsAbs(path):
		return text
	case strings.HasPrefix(path, fromEnv):
		return text
	case isFile:
		return fromFile + filepath.Join(folder, path)
	}
	return filepath.Join(folder, path)
}
