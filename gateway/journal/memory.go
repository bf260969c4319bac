package journal

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"modernc.org/libc"
	sqlite3 "modernc.org/sqlite/lib"
)

// SQLite sets memory aside for each connection: 120 kB for small objects, 90 kB for the first
// pages, and lets it keep 2 MB of pages. An open journal needs little of all that, and a
// daemon holds one open for each line.
const (
	slotSize, slots = 512, 15                    // for small objects; with what is kept of each, 8 kB
	cachedPages     = "&_pragma=cache_size(-64)" // kB
)

// thrifty bounds what SQLite sets aside. It can be said only before the first connection is
// opened, and counts for all.
var thrifty = sync.OnceValue(func() error {
	tls := libc.NewTLS()
	defer tls.Close()
	set := func(option int32, args ...any) error {
		list := libc.NewVaList(args...)
		if list == 0 {
			return errors.New("there is no memory for a setting of SQLite")
		}
		defer libc.Xfree(tls, list)
		if rc := sqlite3.Xsqlite3_config(tls, option, list); rc != sqlite3.SQLITE_OK {
			return fmt.Errorf("SQLite does not take a setting of its memory (SQLite %d)", rc)
		}
		return nil
	}
	return errors.Join(
		set(sqlite3.SQLITE_CONFIG_LOOKASIDE, int32(slotSize), int32(slots)),
		set(sqlite3.SQLITE_CONFIG_PAGECACHE, uintptr(0), int32(0), int32(0)),
	)
})

// shrink gives back the pages that are kept of the file. Each takes 8 kB, and a journal
// needs a few of them for a moment, once in a minute or in a roll.
func (j *Journal) shrink(ctx context.Context) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.write == nil {
		return nil
	}
	if _, err := j.write.ExecContext(context.WithoutCancel(ctx), `PRAGMA shrink_memory`); err != nil {
		return fmt.Errorf("journal %s: %w", j.path, inWords(err))
	}
	return nil
}
