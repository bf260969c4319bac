package journal

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// ErrMoved says that a file of the open journal was deleted, renamed, replaced or
// given a second name. SQLite does not notice: it would go on writing to a file
// that nobody finds again.
var ErrMoved = errors.New("the file is not the one that was opened")

// mode is that of every file made here: the group may read, and nobody else.
const mode fs.FileMode = 0o640

// lockEnding is that of the file that only one process can lock.
const lockEnding = ".lock"

// parts are the files that make up a journal.
var parts = [...]string{"", "-wal", "-shm"}

// opened is what each part was when it was opened.
type opened [len(parts)]fileID

// identifyParts returns what the parts of an open journal are.
func identifyParts(path string) (o opened, err error) {
	for i, p := range parts {
		info, err := os.Lstat(path + p)
		if err != nil {
			return o, fmt.Errorf("journal: %w", err)
		}
		id, ok := identify(info)
		if !ok || !info.Mode().IsRegular() {
			return o, fmt.Errorf("journal %s is no regular file of a Unix file system; put the journal on a local disk", path+p)
		}
		o[i] = id
	}
	return o, nil
}

// still returns an ErrMoved where a part is not what it was when it was opened.
func (o *opened) still(path string) error {
	for i, p := range parts {
		info, err := os.Lstat(path + p)
		if errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("%w: %s was deleted or renamed while it was written", ErrMoved, path+p)
		}
		if err != nil {
			return err
		}
		id, ok := identify(info)
		links := id.links
		id.links = o[i].links
		if !ok || id != o[i] {
			return fmt.Errorf("%w: another file stands in the place of %s", ErrMoved, path+p)
		}
		if links != o[i].links {
			return fmt.Errorf("%w: %s has %d names in the file system, and had %d when it was opened", ErrMoved, path+p, links, o[i].links)
		}
	}
	return nil
}

// present reports whether anything of a journal is there.
func present(path string) (bool, error) {
	for _, p := range parts[:2] {
		info, err := os.Stat(path + p)
		switch {
		case errors.Is(err, os.ErrNotExist):
		case err != nil:
			return false, fmt.Errorf("journal: %w", err)
		case info.IsDir():
			return false, fmt.Errorf("journal %s is a directory; name a file in it", path+p)
		case info.Size() > 0:
			return true, nil
		}
	}
	return false, nil
}

// makePrivate makes an empty file that only owner and group can read, for SQLite would
// let everybody; its other files take after it.
func makePrivate(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, mode)
	if err != nil {
		return fmt.Errorf("journal: %w", err)
	}
	info, err := f.Stat()
	if err == nil && info.Mode().Perm()&^mode != 0 {
		err = f.Chmod(info.Mode().Perm() & mode)
	}
	return errors.Join(err, f.Close())
}

// damagedEnding begins what the name of a journal set aside has more.
const damagedEnding = ".damaged-"

// setAside renames the files of a journal to a name that says so, and returns
// the new name. It never overwrites.
func setAside(path string, now time.Time) (string, error) {
	base := path + damagedEnding + now.UTC().Format("20060102T150405Z")
	to := base
	for n := 2; ; n++ {
		if _, err := os.Lstat(to); errors.Is(err, os.ErrNotExist) {
			break
		} else if err != nil {
			return "", err
		}
		to = fmt.Sprintf("%s.%d", base, n)
	}
	for _, p := range parts {
		if err := os.Rename(path+p, to+p); err != nil && !errors.Is(err, os.ErrNotExist) {
			return "", err
		}
	}
	return to, syncDir(filepath.Dir(path))
}

func syncFile(path string) (err error) {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	return f.Sync()
}

func syncDir(dir string) (err error) {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.Close()) }()
	return d.Sync()
}
