package journal

import (
	"errors"
	"fmt"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// cause is what an error of SQLite means to whoever has to mend it.
type cause struct {
	code  int  // primary result code of SQLite
	found bool // it speaks of the content of the file rather than of the access to it
	words string
}

var causes = [...]cause{
	{sqlite3.SQLITE_FULL, false, "the disk is full; make room on it"},
	{sqlite3.SQLITE_IOERR, false, "the disk fails to read or to write; look at the system's log, at the room on the disk and at the disk itself"},
	{sqlite3.SQLITE_READONLY, false, "the file or its directory is read-only; let the account of this program write there"},
	{sqlite3.SQLITE_CANTOPEN, false, "the file cannot be opened; see that its directory is there, and that the account of this program may read and write it"},
	{sqlite3.SQLITE_PERM, false, "access is refused; let the account of this program read and write the file and its directory"},
	{sqlite3.SQLITE_AUTH, false, "access is refused; let the account of this program read and write the file and its directory"},
	{sqlite3.SQLITE_BUSY, false, "another program holds the file; close whatever else has it open, then try again"},
	{sqlite3.SQLITE_LOCKED, false, "another program holds the file; close whatever else has it open, then try again"},
	{sqlite3.SQLITE_PROTOCOL, false, "another program holds the file; close whatever else has it open, then try again"},
	{sqlite3.SQLITE_NOMEM, false, "there is not enough memory"},
	{sqlite3.SQLITE_NOLFS, false, "the file system holds no file as large; put the journal on another disk"},
	{sqlite3.SQLITE_INTERRUPT, false, "the work was broken off"},
	{sqlite3.SQLITE_MISUSE, false, "the file was used wrongly; this is a program error"},
	{sqlite3.SQLITE_NOTADB, true, "it is not a database"},
	{sqlite3.SQLITE_CORRUPT, true, "its pages are malformed"},
}

// plainError is an error of SQLite in words, with its number for who looks it
// up.
type plainError struct {
	cause cause
	err   *sqlite.Error
}

func (e *plainError) Error() string {
	return fmt.Sprintf("%s (SQLite %d)", e.cause.words, e.err.Code())
}

func (e *plainError) Unwrap() error { return e.err }

// Is lets ErrFull and ErrDisk be asked for.
func (e *plainError) Is(target error) bool {
	return target == ErrFull && e.cause.code == sqlite3.SQLITE_FULL ||
		target == ErrDisk && e.cause.code == sqlite3.SQLITE_IOERR
}

// inWords puts an error of SQLite into words that tell what to do. Any other
// error comes back as it is.
func inWords(err error) error {
	var plain *plainError
	var e *sqlite.Error
	if errors.As(err, &plain) || !errors.As(err, &e) {
		return err
	}
	return &plainError{causeOf(e), e}
}

// causeOf returns the cause of a result code. One that is not in the table
// counts as damage to the content of the file.
func causeOf(e *sqlite.Error) cause {
	for _, c := range causes {
		if c.code == e.Code()&0xFF {
			return c
		}
	}
	return cause{found: true, words: "the database does not hold what this program wrote"}
}

// damaged reports whether an error of SQLite speaks of the content of the file
// rather than of the access to it.
func damaged(err error) bool {
	var e *sqlite.Error
	return errors.As(err, &e) && causeOf(e).found
}
