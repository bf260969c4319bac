package tags

import (
	"cmp"
	"context"
	"slices"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// Raw is a connection to holding registers.
type Raw interface {
	ReadRegisters(ctx context.Context, b handshake.ID, address int, dst []uint16) error
	WriteRegisters(ctx context.Context, b handshake.ID, address int, words []uint16) error
	Close() error
}

// Limits of one request, in registers, as those of a port of blocks.
type Limits struct {
	Read  int // most that one read may ask for
	Write int // most that one write may carry
	Gap   int // registers between two tags that are read along rather than asked for apart
}

// OverRegisters makes tags of holding registers. It plans as few requests as
// the limits allow, and never splits a tag over two.
func OverRegisters(raw Raw, m *Mapping, l Limits) Tags {
	return &registers{raw: raw, mapping: m, limits: l}
}

type registers struct {
	raw     Raw
	mapping *Mapping
	limits  Limits
}

// stretch is one request and the tags in it.
type stretch struct {
	address, words int
	tags           []int
}

// stretches plans the requests for tags: by address, joined across at most gap
// registers, no longer than most.
func (r *registers) stretches(tags []int, gap, most int) []stretch {
	sorted := slices.Clone(tags)
	all := r.mapping.Tags
	slices.SortStableFunc(sorted, func(a, b int) int { return cmp.Compare(all[a].Address, all[b].Address) })
	var out []stretch
	for _, i := range sorted {
		from, n := all[i].Address, all[i].Registers()
		if len(out) > 0 {
			s := &out[len(out)-1]
			if end := max(s.address+s.words, from+n); from <= s.address+s.words+gap && end-s.address <= most {
				s.words = end - s.address
				s.tags = append(s.tags, i)
				continue
			}
		}
		out = append(out, stretch{from, n, []int{i}})
	}
	return out
}

func (r *registers) Read(ctx context.Context, b handshake.ID, tags []int, values []Value) error {
	var room [link.MostRead]uint16
	for _, s := range r.stretches(tags, r.limits.Gap, r.limits.Read) {
		words := room[:s.words]
		if err := r.raw.ReadRegisters(ctx, b, s.address, words); err != nil {
			return err
		}
		for _, i := range s.tags {
			t := &r.mapping.Tags[i]
			values[i] = r.mapping.FromRegisters(t, words[t.Address-s.address:][:t.Registers()])
		}
	}
	return nil
}

// Write writes tags that touch in one request; nothing between two tags is
// written. The bits of a register that no tag names are written as zero.
func (r *registers) Write(ctx context.Context, b handshake.ID, tags []int, values []Value) error {
	var room [link.MostWrite]uint16
	for n, s := range r.stretches(tags, 0, r.limits.Write) {
		words := room[:s.words]
		clear(words)
		for _, i := range s.tags {
			t := &r.mapping.Tags[i]
			at := words[t.Address-s.address:][:t.Registers()]
			if t.Type == Bool {
				at[0] |= uint16(values[i].Bits&1) << t.Bit
				continue
			}
			r.mapping.ToRegisters(t, values[i], at)
		}
		if err := r.raw.WriteRegisters(ctx, b, s.address, words); err != nil {
			if n > 0 && link.ClassOf(err) == link.Refused {
				_ = r.raw.Close()
				return &link.Error{Op: "write", Block: b, Class: link.Unknown, Err: err, Help: "a part was written before; see that every tag of the block can be written"}
			}
			return err
		}
	}
	return nil
}

func (r *registers) Close() error { return r.raw.Close() }
