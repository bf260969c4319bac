package engine_test

import (
	"testing"
	"time"

	"lapgate/gateway/engine"
	"lapgate/gateway/engine/enginetest"
)

func TestLeases(t *testing.T) {
	d := enginetest.New(t)
	a, b := d.Connect(t, enginetest.Pair), d.Connect(t, enginetest.Pair)
	look := func() engine.Lease {
		t.Helper()
		all, err := b.Leases(t.Context(), []string{"south", "north"})
		if err != nil || len(all) != 2 || all[0] != (engine.Lease{Line: "south"}) || all[1].Line != "north" {
			t.Fatalf("leases are %+v, %v, want none of south and that of north", all, err)
		}
		return all[1]
	}
	take := func(c *engine.Conn, seen engine.Lease, instance string, want uint32) {
		t.Helper()
		number, taken, err := c.Take(t.Context(), seen, instance, 3*time.Second)
		if err != nil || taken != (want != 0) || number != want {
			t.Fatalf("taken by %s: %d, %v, %v, want number %d", instance, number, taken, err, want)
		}
	}
	renew := func(number uint32, instance string, want int) {
		t.Helper()
		held, err := a.Renew(t.Context(), instance, []engine.Lease{{Line: "south", Number: 1}, {Line: "north", Number: number}})
		if err != nil || len(held) != want {
			t.Fatalf("renewed under %d by %s: %v, %v, want %d lines", number, instance, held, err, want)
		}
	}
	nobody := look()
	take(a, nobody, "a1", 1)
	take(b, nobody, "b1", 0)
	seen := look()
	renew(1, "a1", 1)
	renew(1, "a2", 0)
	take(b, seen, "b1", 0) // it was renewed meanwhile
	if now := look(); now.Beat != 1 || now.Instance != "a1" || now.TTL != 3*time.Second {
		t.Errorf("the lease is %+v, want beat 1 of a1 for 3 s", now)
	}
	take(b, look(), "b1", 2)
	renew(1, "a1", 0)
	if err := a.Release(t.Context(), "a1", []engine.Lease{{Line: "north", Number: 2}}); err != nil || look().Instance != "b1" {
		t.Errorf("let go by another: %v, %+v, want b1 to hold it", err, look())
	}
	if err := b.Release(t.Context(), "b1", []engine.Lease{{Line: "north", Number: 2}}); err != nil || look().Instance != "" {
		t.Errorf("let go: %v, %+v, want nobody to hold it", err, look())
	}
	take(a, look(), "a1", 3)

	d.SQL(t, `DELETE FROM lapgate.leases`) // the engine forgets
	if number, taken, err := b.Claim(t.Context(), "north", "b1", 7, time.Second); number != 8 || !taken || err != nil {
		t.Errorf("claimed over 7: %d, %v, %v, want 8", number, taken, err)
	}
	if number, taken, err := a.Claim(t.Context(), "north", "a1", 8, time.Second); taken || err != nil {
		t.Errorf("claimed over 8 while that is held: %d, %v, %v, want nothing", number, taken, err)
	}
	if number, taken, err := a.Claim(t.Context(), "north", "a1", 9, time.Second); number != 10 || !taken || err != nil {
		t.Errorf("claimed over 9: %d, %v, %v, want 10", number, taken, err)
	}
}
