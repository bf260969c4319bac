package main

import (
	"errors"
	"fmt"
	"io"
	"os"

	"lapgate/gateway/plainfile"
)

// openedTable is a table given by the path of its file, or - for standard
// input.
type openedTable struct {
	io.ReadCloser
	name string // for messages
}

func (p *program) openTable(path string) (*openedTable, error) {
	if path == "-" {
		return &openedTable{io.NopCloser(p.stdin), "standard input"}, nil
	}
	file, err := openFile(path)
	if err != nil {
		return nil, err
	}
	return &openedTable{file, path}, nil
}

// openFile opens a file that a person named, and says what it wants in place of another thing.
func openFile(path string) (*os.File, error) {
	file, err := plainfile.Open(path)
	if err != nil {
		return nil, unreadable(path, err)
	}
	return file, nil
}

// unreadable names the file that could not be read.
func unreadable(path string, err error) error {
	if path == "" {
		return errors.New("no file is named; name a file that can be read")
	}
	return fmt.Errorf("%s: %w; name a file that can be read", path, plainfile.Reason(err))
}
