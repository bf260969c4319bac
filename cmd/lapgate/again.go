package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"lapgate/gateway/plainfile"
)

// again is what a command writes into a file that may be there from an earlier call: how it
// begins. A file that begins otherwise is another one, a configuration say, and stays as it is.
type again string

const (
	aDrawing again = "<svg"
	aPage    again = "<!doctype html"
	aLedger  again = "{"
)

// may reports why nothing of the kind can be written to a path; nil for no path. It is asked
// before long work too, so that this is not in vain.
func (a again) may(path string) error {
	if path == "" {
		return nil
	}
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return unwritable(path, err)
	case info.IsDir():
		return fmt.Errorf("%s is a folder; name a file in it", path)
	case !info.Mode().IsRegular(): // a pipe, or the terminal
		return nil
	}
	file, err := os.Open(path)
	if err != nil {
		return unwritable(path, err)
	}
	defer func() { _ = file.Close() }() // only read
	begins := make([]byte, len(a))
	n, err := io.ReadFull(file, begins)
	if n > 0 && string(begins) != string(a) {
		return fmt.Errorf("%s is there already, begins otherwise than what would be written, and stays as it is; name another file", path)
	}
	if err != nil && !errors.Is(err, io.EOF) {
		return unwritable(path, err)
	}
	return nil
}

// write writes the text of a file.
func (a again) write(path, text string) error {
	if err := a.may(path); err != nil {
		return err
	}
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		return unwritable(path, err)
	}
	return nil
}

// unwritable names the file that could not be written.
func unwritable(path string, err error) error {
	return fmt.Errorf("%s: %w; name a file that can be written", path, plainfile.Reason(err))
}
