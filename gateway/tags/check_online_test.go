package tags

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// refusing is a bank that refuses reads that touch one address.
func refusing(address int, class link.Class) *bank {
	b := &bank{}
	b.before = func(_ *bank, entry string) error {
		from, n := 0, 0
		if rest, ok := strings.CutPrefix(entry, "read "); ok {
			a, c, _ := strings.Cut(rest, "+")
			from, n = atoi(a), atoi(c)
		}
		if address >= from && address < from+n {
			return &link.Error{Op: "read", Block: handshake.REQ, Class: class, Err: errors.New("illegal data address")}
		}
		return nil
	}
	return b
}

func atoi(s string) (n int) {
	for _, c := range s {
		n = 10*n + int(c-'0')
	}
	return n
}

func TestInspect(t *testing.T) {
	for name, c := range map[string]struct {
		bank    *bank
		set     func(*bank)
		refused []string
		unfit   []string
		class   link.Class
	}{
		"every tag":        {bank: &bank{}},
		"one is not there": {bank: refusing(8, link.Refused), refused: []string{"request.width"}},
		"a NaN":            {bank: &bank{}, set: func(b *bank) { b.words[7] = 0x7FC0 }, unfit: []string{"request.diameter"}},
		"lost":             {bank: refusing(110, link.Down), class: link.Down},
	} {
		t.Run(name, func(t *testing.T) {
			m := small()
			if c.set != nil {
				c.set(c.bank)
			}
			d, err := New(m, Registers, func(context.Context) (Tags, error) { return OverRegisters(c.bank, m, testLimits), nil })
			if err != nil {
				t.Fatal(err)
			}
			sights, err := d.Inspect(t.Context(), time.Second)
			if link.ClassOf(err) != c.class || (err == nil) != (c.class == 0) {
				t.Fatalf("ended with %v", err)
			}
			if !c.bank.closed {
				t.Error("the connection is left open")
			}
			if i := slices.IndexFunc(c.bank.diary, func(e string) bool { return !strings.HasPrefix(e, "read ") }); i >= 0 {
				t.Errorf("an inspection did %s", c.bank.diary[i])
			}
			if err != nil {
				return
			}
			var refused, unfit []string
			for i := range sights {
				s := &sights[i]
				if s.Point.Field.Name != m.Tags[i].Field || s.Read.IsZero() {
					t.Errorf("sight %d is of %s, read at %v", i, s.Point.Field.Name, s.Read)
				}
				if s.Refused != nil {
					refused = append(refused, s.Point.Field.Name)
				}
				if s.Unfit != nil {
					unfit = append(unfit, s.Point.Field.Name)
				}
			}
			if len(sights) != len(m.Tags) || !slices.Equal(refused, c.refused) || !slices.Equal(unfit, c.unfit) {
				t.Errorf("%d sights, refused %v, unfit %v", len(sights), refused, unfit)
			}
		})
	}
}
