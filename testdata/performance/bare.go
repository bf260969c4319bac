package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"time"
)

// bareStart is how long it takes to open so many bare tables, which have a record already,
// and to make one durable in each, a few at a time as the lines of a daemon begin: what of a
// start is SQLite and the disk.
func bareStart(ctx context.Context, dir string, n int) (time.Duration, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return 0, err
	}
	if _, err := openBares(ctx, dir, n, true); err != nil {
		return 0, err
	}
	return openBares(ctx, dir, n, false)
}

// openBares opens tables, appends to each and closes them. The time is until each has its
// record.
func openBares(ctx context.Context, dir string, n int, create bool) (time.Duration, error) {
	const together = 16
	turns, begun := make(chan struct{}, together), time.Now()
	tables, errs := make([]*bareTable, n), make([]error, n)
	var wait sync.WaitGroup
	for i := range n {
		turns <- struct{}{}
		wait.Go(func() {
			defer func() { <-turns }()
			t, err := openBare(ctx, filepath.Join(dir, strconv.Itoa(i)+".db"), create)
			if err == nil {
				if !create {
					t.seq = 1
				}
				err = t.append(ctx, "CONFIG", 0, "{}")
			}
			tables[i], errs[i] = t, err
		})
	}
	wait.Wait()
	took := time.Since(begun)
	for _, t := range tables {
		if t != nil {
			errs = append(errs, t.close())
		}
	}
	return took, errors.Join(errs...)
}
