package tags

import (
	"context"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// Sight is what was seen of one tag.
type Sight struct {
	Point Point
	// Refused says why the controller did not give the value: it has no such
	// tag, or one of another type, or it may not be read. Value means nothing
	// then.
	Refused error
	// Unfit says why the field cannot take the value.
	Unfit error
	Value Value
	Read  time.Time // when the answer had come
}

// Inspect opens a connection of its own and reads every tag, in the order of
// the mapping. The tags of a block are read together; where the controller
// refuses that, each by itself, to find which. It writes nothing. answer is the
// longest wait for one read. The error, a *link.Error, is that of a connection
// that was not made or was lost; nothing is told of the tags then.
func (d *Dialer) Inspect(ctx context.Context, answer time.Duration) ([]Sight, error) {
	tags, err := d.open(ctx)
	if err != nil {
		return nil, err
	}
	defer func() { _ = tags.Close() }() // only read from
	plan := d.plan
	values, errs, times := make([]Value, len(plan.points)), make([]error, len(plan.points)), make([]time.Time, len(plan.points))
	read := func(b handshake.ID, which []int) error {
		ctx, cancel := context.WithTimeout(ctx, answer)
		defer cancel()
		err := tags.Read(ctx, b, which, values)
		for _, i := range which {
			errs[i], times[i] = err, time.Now()
		}
		if c := link.ClassOf(err); err != nil && !c.Answered() && c != link.ConfigClass {
			return err
		}
		return nil
	}
	for _, b := range handshake.IDs() {
		all := plan.all[b]
		if len(all) == 0 {
			continue
		}
		if err := read(b, all); err != nil {
			return nil, err
		}
		if errs[all[0]] == nil {
			continue
		}
		for _, i := range all {
			if err := read(b, []int{i}); err != nil {
				return nil, err
			}
		}
	}
	out := make([]Sight, len(plan.points))
	for i := range out {
		p := &plan.points[i]
		out[i] = Sight{Point: *p, Refused: errs[i], Value: values[i], Read: times[i]}
		if errs[i] == nil {
			out[i].Unfit = p.Decode(values[i], make([]uint16, handshake.Words(p.Field.Block)))
		}
	}
	return out, nil
}
