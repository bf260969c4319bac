package main

import (
	"io"

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
	file, err := plainfile.Open(path)
	if err != nil {
		return nil, err
	}
	return &openedTable{file, path}, nil
}
