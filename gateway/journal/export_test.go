package journal

import (
	"context"
	"errors"
	"fmt"
	"time"

	"modernc.org/sqlite"

	"lapgate/gateway/record"
)

// What the tests need to damage journals and to reckon their chain.
const (
	SchemaVersion = schemaVersion
	Batch         = batch
)

// The parts of a journal, and how it is opened, renamed and hashed.
var (
	Parts    = parts
	OpenBy   = openBy
	SetAside = setAside
	Exchange = exchange
	HashOf   = hashOf
	URI      = uri
)

// Count counts up to n by the database, which takes a while.
func (r *Reader) Count(ctx context.Context, n int) (counted int, err error) {
	err = r.db.QueryRowContext(ctx, `WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c LIMIT ?) SELECT count(*) FROM c`, n).Scan(&counted)
	return counted, err
}

// FoldersBy are folders that are synchronised by a function.
func FoldersBy(fsync func(path string) error) *Folders { return &Folders{fsync: fsync} }

// Sync makes the names in a folder durable.
func (f *Folders) Sync(path string) error { return f.sync(path) }

// CachedBytes is what SQLite keeps of the pages of the file.
func (j *Journal) CachedBytes(ctx context.Context) (bytes int, err error) {
	conn, err := j.write.Conn(ctx)
	if err != nil {
		return 0, err
	}
	err = conn.Raw(func(c any) error {
		bytes, _, err = c.(sqlite.DBStatus).Status(sqlite.DBStatusCacheUsed, false)
		return err
	})
	return bytes, errors.Join(err, conn.Close())
}

// LimitPages lets the file grow to no more than a number of pages.
func (j *Journal) LimitPages(ctx context.Context, pages int) error {
	_, err := j.write.ExecContext(ctx, fmt.Sprintf(`PRAGMA max_page_count = %d`, pages))
	return err
}

// OrderProblems is what is wrong with the order of records.
func OrderProblems(records []record.Record) []string {
	var o order
	var problems []string
	for _, r := range records {
		problems = append(problems, o.add(r)...)
	}
	return problems
}

// Fill appends n records in transactions of many, not synchronised: for a long journal
// to measure on.
func (j *Journal) Fill(ctx context.Context, n int, at func(i int) time.Time, next func(i int) record.Record) error {
	const most = 50_000
	for i := 0; i < n; {
		tx, err := j.write.BeginTx(ctx, nil)
		if err != nil {
			return err
		}
		insert := tx.StmtContext(ctx, j.inserts[0])
		for end := min(n, i+most); i < end; i++ {
			r := next(i)
			body, err := record.Marshal(r)
			if err != nil {
				return err
			}
			h := Head{Seq: j.head.Seq + 1}
			h.Hash = hashOf(j.head.Hash, h.Seq, at(i).UnixMicro(), string(r.Kind()), body)
			if _, err := insert.ExecContext(ctx, int64(h.Seq), at(i).UnixMicro(), string(r.Kind()), int64(r.RollNo()), string(body), j.head.Hash[:], h.Hash[:]); err != nil {
				return err
			}
			j.head = h
		}
		if err := tx.Commit(); err != nil {
			return err
		}
		if err := j.checkpoint(ctx); err != nil {
			return err
		}
	}
	return nil
}
