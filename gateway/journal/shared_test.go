package journal_test

import (
	"errors"
	"path/filepath"
	"testing"

	"lapgate/gateway/journal"
)

// TestShared: several read a journal at a time, and while they do nobody opens it; whoever is
// about to open it waits for them, and keeps others from reading meanwhile.
func TestShared(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path)
	appendAll(t, j, shift(t, 3))
	s := journal.NewShared(path)
	opened, read := make(chan error), make(chan error)
	var order []string
	err := s.Read(t.Context(), journal.OpenReader, func(r *journal.Reader) error {
		if s.TryAlone(func() {}) {
			t.Error("it can be opened while it is read")
		}
		if err := s.Read(t.Context(), journal.OpenWhole, func(*journal.Reader) error { return nil }); err != nil {
			t.Error(err)
		}
		go func() {
			opened <- s.Alone(func() error {
				order = append(order, "opened")
				go func() {
					read <- s.Read(t.Context(), journal.OpenReader, func(r *journal.Reader) error {
						order = append(order, "read again")
						_, err := r.Head(t.Context())
						return err
					})
				}()
				return nil
			})
		}()
		order = append(order, "read")
		_, err := r.Head(t.Context())
		return err
	})
	if err := errors.Join(err, <-opened, <-read); err != nil {
		t.Fatal(err)
	}
	if len(order) != 3 || order[0] != "read" || order[1] != "opened" {
		t.Errorf("order %v", order)
	}
}
