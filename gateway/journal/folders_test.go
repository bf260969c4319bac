package journal_test

import (
	"errors"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"testing/synctest"

	"lapgate/gateway/journal"
)

// While a folder is synchronised, all who ask for it meanwhile share one synchronisation,
// which begins after they asked, and its error. Another folder waits for none of that.
func TestFoldersShare(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		begun, end := make(chan string, 9), make(chan error)
		f := journal.FoldersBy(func(path string) error { begun <- path; return <-end })
		var wait sync.WaitGroup
		errs := make([]error, 6)
		ask := func(i int, path string) {
			wait.Go(func() { errs[i] = f.Sync(path) })
			synctest.Wait()
		}
		ask(0, "journal")
		for i := range 4 {
			ask(1+i, "journal")
		}
		ask(5, "state")
		if got := []string{<-begun, <-begun}; !slices.Equal(got, []string{"journal", "state"}) || len(begun) > 0 {
			t.Fatalf("begun: %v and %d more, want one of each folder", got, len(begun))
		}
		end <- nil
		end <- nil
		synctest.Wait()
		if len(begun) != 1 {
			t.Fatalf("%d more began for four that asked meanwhile, want one", len(begun))
		}
		broken := errors.New("the disk fails")
		end <- broken
		wait.Wait()
		if want := []error{nil, broken, broken, broken, broken, nil}; !slices.Equal(errs, want) {
			t.Errorf("errors %v, want %v", errs, want)
		}
		<-begun
		go func() { end <- nil }()
		if err := f.Sync("journal"); err != nil {
			t.Errorf("after one that failed: %v", err)
		}
	})
}

// A folder that cannot be synchronised is an error.
func TestFolderMissing(t *testing.T) {
	if err := new(journal.Folders).Sync(filepath.Join(t.TempDir(), "missing")); err == nil {
		t.Error("a folder that is not there was synchronised")
	}
}
