package gateway

import (
	"errors"
	"net"
	"os"
	"syscall"
	"testing"
	"time"

	"lapgate/gateway/link"
)

func TestBackoff(t *testing.T) {
	jitter := 0.0
	b := backoff{first: 250 * time.Millisecond, last: 5 * time.Second, jitter: func() float64 { return jitter }}
	for i, want := range []time.Duration{250, 500, 1000, 2000, 4000, 5000, 5000} {
		want *= time.Millisecond
		jitter = float64(i%2) * 0.999
		got := b.next()
		if got < want/2 || got >= want {
			t.Errorf("wait %d is %s, want from %s to %s", i, got, want/2, want)
		}
	}
	b.reset()
	if got := b.next(); got >= 250*time.Millisecond {
		t.Errorf("after a reset got %s", got)
	}
}

// TestOutage: a failure that stays is told once, one for another reason at once, and
// any that stays again after minutes.
func TestOutage(t *testing.T) {
	refused := &link.Error{Op: "dial", Class: link.Down, Err: errors.New("127.0.0.1:40001: refused")}
	again := &link.Error{Op: "dial", Class: link.Down, Err: errors.New("127.0.0.1:40002: refused")}
	renewed := &link.Error{Op: "dial", Class: link.ConfigClass, Err: errors.New("another certificate"), Help: "trust it"}
	deaf := &net.OpError{Op: "dial", Err: &os.SyscallError{Syscall: "connect", Err: syscall.ECONNREFUSED}}
	apart := &net.OpError{Op: "dial", Err: &os.SyscallError{Syscall: "connect", Err: syscall.EHOSTUNREACH}}
	var o outage
	now := time.Unix(0, 0)
	for i, c := range []struct {
		after time.Duration
		err   error
		want  bool
	}{
		{0, refused, true}, {time.Second, again, false}, {time.Second, renewed, true}, {time.Second, renewed, false},
		{time.Second, refused, true}, {4 * time.Minute, refused, false}, {time.Minute, refused, true},
		{time.Second, deaf, true}, {time.Second, deaf, false}, {time.Second, apart, true}, // of a scanner
	} {
		now = now.Add(c.after)
		if got := o.begin(now, c.err); got != c.want {
			t.Errorf("failure %d, %v: told %t, want %t", i, c.err, got, c.want)
		}
		if o.newest != c.err.Error() {
			t.Errorf("failure %d: shown is %q, want %q", i, o.newest, c.err)
		}
	}
	if told := o.end(now); len(told) == 0 || o.count != 0 {
		t.Errorf("the end told %v", told)
	}
}
