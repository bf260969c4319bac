// Package plainfile opens files that hold what they held when they were opened:
// nothing that waits for a writer, never ends or is another file by a link.
package plainfile

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// ErrNotPlain says that a path leads to a pipe, a device or a socket.
var ErrNotPlain = errors.New("not a regular file")

// ErrLink says that a path in a folder is a symbolic link.
var ErrLink = errors.New("a symbolic link, not a regular file")

// Open opens a file for reading. It never waits: a pipe or device is refused. The error
// is an *fs.PathError, of ErrNotPlain for these and of syscall.EISDIR for a folder.
func Open(path string) (*os.File, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if err := refusal(path, info); err != nil {
		return nil, err
	}
	return open(path, 0)
}

// Reason is an error of a file without the operation and the path, for a message that names
// the path itself. Any other error is returned as it is.
func Reason(err error) error {
	if pe := (*fs.PathError)(nil); errors.As(err, &pe) {
		return pe.Err
	}
	return err
}

// open opens a file and looks at what was opened, which may be another than was
// looked at before.
func open(path string, flags int) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDONLY|withoutWaiting|flags, 0)
	if err != nil {
		return nil, err
	}
	info, err := f.Stat()
	if err == nil {
		err = refusal(path, info)
	}
	if err != nil {
		_ = f.Close() // it was not read
		return nil, err
	}
	return f, nil
}

// refusal is why what a path leads to is not opened, nil for a regular file.
func refusal(path string, info fs.FileInfo) error {
	why := ErrNotPlain
	switch {
	case info.Mode().IsRegular():
		return nil
	case info.IsDir():
		why = syscall.EISDIR
	case info.Mode().Type() == fs.ModeSymlink:
		why = ErrLink
	}
	return &fs.PathError{Op: "open", Path: path, Err: why}
}

// Folder is a folder of a file system whose files are opened as by Open, and not by
// symbolic links, into which others may put what they like.
func Folder(path string) fs.FS { return folder(path) }

type folder string

// Open opens a regular file of the folder, or the folder itself as ".".
func (f folder) Open(name string) (fs.File, error) {
	if !fs.ValidPath(name) {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrInvalid}
	}
	path := filepath.Join(string(f), filepath.FromSlash(name))
	if name == "." {
		return os.Open(path)
	}
	info, err := os.Lstat(path)
	if err != nil {
		return nil, err
	}
	if err := refusal(name, info); err != nil {
		return nil, err
	}
	return open(path, withoutLinks)
}
