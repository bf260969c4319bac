package engine

import (
	"context"

	"github.com/jackc/pgx/v5"

	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// HashAt is the hash of a record of a journal; ok is false for one that is not kept.
func (c *Conn) HashAt(ctx context.Context, genesis journal.Hash, seq uint64) (h journal.Hash, ok bool, err error) {
	if seq == 0 {
		return h, false, nil
	}
	found, err := c.Records(ctx, genesis, seq-1, 1)
	if err != nil || len(found) == 0 || found[0].Seq != seq {
		return h, false, err
	}
	return found[0].Hash, true, nil
}

// Newest is the newest record of a kind of a journal, proved by its hash; ok is false
// where none is kept.
func (c *Conn) Newest(ctx context.Context, genesis journal.Hash, kind record.Kind) (e journal.Entry, ok bool, err error) {
	err = c.read(ctx, func(ctx context.Context) error {
		rows, err := c.pg.Query(ctx, `SELECT `+rowColumns+` FROM lapgate.records
			WHERE journal = (SELECT journal FROM lapgate.journals WHERE genesis = $1) AND kind = $2 ORDER BY seq DESC LIMIT 1`, genesis[:], string(kind))
		if err != nil {
			return err
		}
		found, err := pgx.CollectRows(rows, scanEntry)
		if len(found) > 0 {
			e, ok = found[0], true
		}
		return err
	})
	return e, ok, err
}
