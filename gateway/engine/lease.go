package engine

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"
)

// Lease says who acts on a line. It is a hint and never more: the controller alone
// decides whom it serves.
type Lease struct {
	Line string
	// Number is raised with each taking, and never goes back unless the engine forgets.
	// 0 where nobody ever took it.
	Number uint32
	// Beat is raised by whoever holds it, as long as he lives.
	Beat uint64
	// Instance is one start of a daemon; empty where the lease was let go.
	Instance string
	// TTL is how long number and beat stand still before another takes it.
	TTL time.Duration
}

// Leases tells how the leases of lines stand, in the order asked for.
func (c *Conn) Leases(ctx context.Context, lines []string) (out []Lease, err error) {
	err = c.read(ctx, func(ctx context.Context) error {
		rows, err := c.pg.Query(ctx, `SELECT a.line, coalesce(l.number, 0), coalesce(l.beat, 0), coalesce(l.instance, ''), coalesce(l.ttl_ms, 0)
			FROM unnest($2::text[]) WITH ORDINALITY a (line, i) LEFT JOIN lapgate.leases l ON l.mill = $1 AND l.line = a.line ORDER BY a.i`, c.mill, lines)
		if err != nil {
			return err
		}
		out, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (l Lease, err error) {
			var number, beat, ttl int64
			err = row.Scan(&l.Line, &number, &beat, &l.Instance, &ttl)
			l.Number, l.Beat, l.TTL = uint32(number), uint64(beat), time.Duration(ttl)*time.Millisecond
			return l, err
		})
		return err
	})
	return out, err
}

// linesAndNumbers are leases as two columns.
func linesAndNumbers(held []Lease) (lines []string, numbers []int64) {
	for _, l := range held {
		lines = append(lines, l.Line)
		numbers = append(numbers, int64(l.Number))
	}
	return lines, numbers
}

// Renew raises the beat of leases that an instance holds under their numbers, and tells
// which it still held. A line that is not among them has another holder, or the engine
// forgot: Leases tells which.
func (c *Conn) Renew(ctx context.Context, instance string, held []Lease) (renewed []string, err error) {
	lines, numbers := linesAndNumbers(held)
	err = c.write(ctx, func(ctx context.Context) error {
		rows, err := c.pg.Query(ctx, `UPDATE lapgate.leases l SET beat = l.beat + 1
			FROM unnest($2::text[], $3::bigint[]) h (line, number)
			WHERE l.mill = $1 AND l.line = h.line AND l.number = h.number AND l.instance = $4 RETURNING l.line`, c.mill, lines, numbers, instance)
		if err != nil {
			return err
		}
		renewed, err = pgx.CollectRows(rows, pgx.RowTo[string])
		return err
	})
	return renewed, err
}

// Take takes a lease for an instance where it still stands as it was seen, and tells its
// new number. Of several that try one takes it.
func (c *Conn) Take(ctx context.Context, seen Lease, instance string, ttl time.Duration) (number uint32, taken bool, err error) {
	const again = `UPDATE lapgate.leases SET number = number + 1, beat = 0, instance = $3, ttl_ms = $4, taken = now()
		WHERE mill = $1 AND line = $2 AND number = $5 AND beat = $6 RETURNING number`
	const first = `INSERT INTO lapgate.leases (mill, line, number, beat, instance, ttl_ms) VALUES ($1, $2, 1, 0, $3, $4)
		ON CONFLICT DO NOTHING RETURNING number`
	args := []any{c.mill, seen.Line, instance, ttl.Milliseconds()}
	if seen.Number == 0 {
		return c.taking(ctx, first, args...)
	}
	return c.taking(ctx, again, append(args, int64(seen.Number), int64(seen.Beat))...)
}

// Claim takes a lease again of which the engine forgot that it was held under a number:
// under one that is greater. It does nothing where the number of the lease is not below
// that, for then another has taken it meanwhile.
func (c *Conn) Claim(ctx context.Context, line, instance string, held uint32, ttl time.Duration) (number uint32, taken bool, err error) {
	return c.taking(ctx, `INSERT INTO lapgate.leases AS l (mill, line, number, beat, instance, ttl_ms) VALUES ($1, $2, $5 + 1, 0, $3, $4)
		ON CONFLICT (mill, line) DO UPDATE SET number = excluded.number, beat = 0, instance = excluded.instance, ttl_ms = excluded.ttl_ms, taken = now()
		WHERE l.number < $5 RETURNING number`, c.mill, line, instance, ttl.Milliseconds(), int64(held))
}

// taking runs a statement that answers the number of the lease where it took it.
func (c *Conn) taking(ctx context.Context, statement string, args ...any) (number uint32, taken bool, err error) {
	err = c.write(ctx, func(ctx context.Context) error {
		var n int64
		err := c.pg.QueryRow(ctx, statement, args...).Scan(&n)
		if errors.Is(err, pgx.ErrNoRows) {
			return nil
		}
		number, taken = uint32(n), err == nil
		return err
	})
	return number, taken && err == nil, err
}

// Release lets go of leases that an instance holds, so that another takes them without
// waiting.
func (c *Conn) Release(ctx context.Context, instance string, held []Lease) error {
	lines, numbers := linesAndNumbers(held)
	return c.write(ctx, func(ctx context.Context) error {
		_, err := c.pg.Exec(ctx, `UPDATE lapgate.leases l SET instance = ''
			FROM unnest($2::text[], $3::bigint[]) h (line, number)
			WHERE l.mill = $1 AND l.line = h.line AND l.number = h.number AND l.instance = $4`, c.mill, lines, numbers, instance)
		return err
	})
}
