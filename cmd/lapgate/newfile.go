package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
)

// writeNew has write fill the file at a path that is not there yet: whole or not at all, and
// never over another one.
func writeNew(path string, mode fs.FileMode, write func(io.Writer) error) (err error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if errors.Is(err, fs.ErrExist) {
		return alreadyThere(path)
	}
	if err != nil {
		return unwritable(path, err)
	}
	if err = errors.Join(write(f), f.Sync(), f.Close()); err != nil {
		return errors.Join(err, os.Remove(path))
	}
	return nil
}

// alreadyThere says that a file is never written over.
func alreadyThere(path string) error {
	return fmt.Errorf("%s is there already and stays as it is; name a file that is not there yet", path)
}

// writing writes a text.
func writing(text string) func(io.Writer) error {
	return func(w io.Writer) error { _, err := io.WriteString(w, text); return err }
}

// write has write fill the new file that a command was told to write to, standard output for
// no path.
func (p *program) write(path string, write func(io.Writer) error) error {
	if path == "" {
		return write(p.stdout)
	}
	return writeNew(path, 0o644, write)
}
