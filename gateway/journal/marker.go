package journal

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// A marker is a file beside the journal that stands there while the journal is
// open. It is synchronised before the first record and removed when the journal was
// closed without a fault. Where it is found at opening, a process was killed, or a
// synchronisation failed. After one that failed, the system takes what it could not
// write for written: it is read back well, until the power is cut. So what was
// written since the last synchronisation that held is written again before anything
// rests on it.
//
// That is the write-ahead log, whole: a checkpoint that did not hold leaves the log
// as it was, and nothing else is ever written to the database. The cost is that of a
// few megabytes, however long the journal is.

// markerEnding is that of the name of a marker.
const markerEnding = ".open"

// markers are the paths of the markers: beside the journal and, where it is owned, in
// the folder of the state. That is best on another disk: its marker tells at the next
// start that the journal was not closed, also where the disk of the journal forgot.
func (j *Journal) markers(path string) []string {
	m := []string{path + markerEnding}
	if j.owner.Folder != "" {
		m = append(m, filepath.Join(j.owner.Folder, filepath.Base(path)+markerEnding))
	}
	return m
}

// marked reports whether the journal was left open.
func (j *Journal) marked(path string) (bool, error) {
	for _, m := range j.markers(path) {
		_, err := os.Lstat(m)
		if err == nil {
			return true, nil
		}
		if !errors.Is(err, os.ErrNotExist) {
			return false, fmt.Errorf("journal %s: marker: %w", path, err)
		}
	}
	return false, nil
}

// mark sets the markers. Their names are durable after syncNames, which is all that
// counts of them: what stands in one is for people.
func (j *Journal) mark(path string) error {
	if j.owner.Folder != "" {
		if err := os.MkdirAll(j.owner.Folder, 0o750); err != nil {
			return fmt.Errorf("journal %s: marker: %w", path, err)
		}
	}
	for _, m := range j.markers(path) {
		if err := os.WriteFile(m, fmt.Appendf(nil, "%d\n", os.Getpid()), mode); err != nil {
			return fmt.Errorf("journal %s: marker: %w", path, err)
		}
	}
	return nil
}

// syncNames makes the names of the files of the journal and of its markers durable. One
// after the other, so that a file system that both are on has to do it once.
func (j *Journal) syncNames(path string) error {
	for _, m := range j.markers(path) {
		if err := j.folders.sync(filepath.Dir(m)); err != nil {
			return err
		}
	}
	return nil
}

// unmark takes the markers away.
func (j *Journal) unmark(path string) error {
	for _, m := range j.markers(path) {
		err := os.Remove(m)
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err != nil {
			return fmt.Errorf("journal %s: marker: %w", path, err)
		}
	}
	if err := j.syncNames(path); err != nil {
		return fmt.Errorf("journal %s: marker: %w", path, err)
	}
	return nil
}

// writeDurably writes a small file and the name of it.
func writeDurably(path string, content []byte) error {
	if err := writeSynced(path, content); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}

// writeSynced writes a small file, whose name is not durable yet.
func writeSynced(path string, content []byte) (err error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, mode)
	if err != nil {
		return err
	}
	_, err = f.Write(content)
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

// Replace writes a small file in place of the one of that name, whole or not at all, and
// durably.
func Replace(path string, content []byte) error { return replace(path, content, syncDir) }

// replace is Replace, with a way of one's own to synchronise the folder.
func replace(path string, content []byte, sync func(folder string) error) error {
	part := path + ".new"
	if err := writeSynced(part, content); err != nil {
		return err
	}
	if err := os.Rename(part, path); err != nil {
		return err
	}
	return sync(filepath.Dir(path))
}

// writeAgain writes the content of a file to the same places once more, so that the
// system does not take it for written, and synchronises it. A file that is not there
// is none to write.
func writeAgain(path string) (err error) {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	buf := make([]byte, 1<<20)
	for at := int64(0); ; {
		n, err := f.ReadAt(buf, at)
		if err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		if _, e := f.WriteAt(buf[:n], at); e != nil {
			return e
		}
		at += int64(n)
		if err != nil {
			break
		}
	}
	if err := f.Sync(); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}

// checkpoint carries the write-ahead log over into the database, as far as no reader
// still needs the older pages. It synchronises the log, then the database.
func (j *Journal) checkpoint(ctx context.Context) error {
	var busy, log, done int
	if err := j.write.QueryRowContext(ctx, `PRAGMA wal_checkpoint(PASSIVE)`).Scan(&busy, &log, &done); err != nil {
		return fmt.Errorf("journal %s: its log could not be carried over: %w", j.path, inWords(err))
	}
	return nil
}

// checkpointEvery is the number of records after which the log is carried over:
// about 4 MB. SQLite would do it by itself, and pass over a failure.
const checkpointEvery = 256
