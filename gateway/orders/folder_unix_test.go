//go:build unix

package orders_test

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"testing/fstest"
	"time"

	"lapgate/gateway/orders"
	"lapgate/gateway/plainfile"
)

// TestFolderTakesRegularFilesOnly: a link, pipe or device among the orders is named, and
// neither opened nor waited for.
func TestFolderTakesRegularFilesOnly(t *testing.T) {
	secret := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(secret, []byte("the first line of a protected file\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, put := range map[string]func(path string) error{
		"link":   func(path string) error { return os.Symlink(secret, path) },
		"device": func(path string) error { return os.Symlink("/dev/zero", path) },
		"pipe":   func(path string) error { return syscall.Mkfifo(path, 0o600) },
	} {
		dir := t.TempDir()
		f := orders.NewFolder(plainfile.Folder(dir), materials())
		if err := os.WriteFile(filepath.Join(dir, "a.csv"), []byte(goodOrders), 0o600); err != nil {
			t.Fatal(err)
		}
		for range 2 {
			if _, err := f.Poll(); err != nil {
				t.Fatal(err)
			}
		}
		if err := put(filepath.Join(dir, "b.csv")); err != nil {
			t.Fatal(err)
		}
		for range 3 {
			_, err := f.Poll()
			if err == nil || !strings.Contains(err.Error(), `"b.csv" is no regular file`) || strings.Contains(err.Error(), "protected") {
				t.Errorf("%s: got %v", name, err)
			}
		}
		if f.Orders().Len() != 2 {
			t.Errorf("%s: %d orders are in force, want the 2 of before", name, f.Orders().Len())
		}
	}
}

// endless is a file that says to be short and never ends.
type endless struct{ fs.FS }

func (e endless) Open(name string) (fs.File, error) {
	f, err := e.FS.Open(name)
	if name == "." || err != nil {
		return f, err
	}
	return endlessFile{f, new(int)}, nil
}

type endlessFile struct {
	fs.File
	given *int
}

func (e endlessFile) Read(p []byte) (int, error) {
	row := strings.Repeat(" ", 1000) + ",\n"
	if *e.given > 1<<30 {
		return 0, io.EOF
	}
	if *e.given == 0 {
		*e.given = 1002 // a whole row
		return copy(p, "roll,grade\n"), nil
	}
	for i := range p {
		p[i] = row[(*e.given+i)%len(row)]
	}
	*e.given += len(p)
	return len(p), nil
}

func (e endless) ReadDir(name string) ([]fs.DirEntry, error) { return fs.ReadDir(e.FS, name) }

// TestFolderBoundsWhatIsRead: the length of a table is bounded by what is read of it.
func TestFolderBoundsWhatIsRead(t *testing.T) {
	file := endless{fstest.MapFS{"a.csv": {Data: []byte("roll\n"), ModTime: time.Unix(1, 0)}}}
	f := orders.NewFolder(file, materials())
	_, first := f.Poll()
	_, err := f.Poll()
	if first != nil || err == nil || !strings.Contains(err.Error(), "a.csv has more than 67108864 bytes") {
		t.Errorf("got %v and %v", first, err)
	}
}

// TestFolderQuotesLittle: a cell of any length is told by its beginning.
func TestFolderQuotesLittle(t *testing.T) {
	long := strings.Repeat("x", 500)
	for _, text := range []string{long + ",b\n", "roll,grade\nR1," + long + "\n", "roll\n" + long + "\n" + long + "\n", "roll,width\nR1," + long + "\n"} {
		_, err := read("a.csv", text)
		if err == nil || strings.Contains(err.Error(), strings.Repeat("x", 61)) {
			t.Errorf("got %v", err)
		}
	}
	if _, err := read("a.csv", "roll\nR1\n"); errors.Is(err, io.ErrUnexpectedEOF) || err != nil {
		t.Error(err)
	}
}
