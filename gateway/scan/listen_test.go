package scan

import (
	"context"
	"errors"
	"net"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// far end of a scanner: what each connection does.
type scanner func(net.Conn)

type heard struct {
	readings []Reading
	problems []string
	links    []string
	dials    []time.Duration // when, since the start
}

// listen runs a listener for some time of the bubble's clock against one
// scanner for each connection, and refuses when there are no more.
func listen(t *testing.T, silence, run time.Duration, scanners ...scanner) (h heard) {
	t.Helper()
	start := time.Now()
	l := &Listener{
		Address: "scanner:9000", Parser: parser(t, pattern()), First: 250 * time.Millisecond, Most: 5 * time.Second, Silence: silence,
		Jitter: func() float64 { return 0.5 },
		Dial: func(_ context.Context, network, address string) (net.Conn, error) {
			h.dials = append(h.dials, time.Since(start))
			if network != "tcp" || address != "scanner:9000" {
				t.Errorf("dials %s %s", network, address)
			}
			if len(scanners) == 0 {
				return nil, errors.New("connection refused")
			}
			near, remote := net.Pipe()
			go scanners[0](remote)
			scanners = scanners[1:]
			return near, nil
		},
		OnReading: func(r Reading) { h.readings = append(h.readings, r) },
		OnProblem: func(err error) { h.problems = append(h.problems, err.Error()) },
		OnLink: func(err error) {
			if err == nil {
				h.links = append(h.links, "up")
				return
			}
			h.links = append(h.links, err.Error())
		},
	}
	ctx, cancel := context.WithTimeout(t.Context(), run)
	defer cancel()
	l.Run(ctx)
	if got := time.Since(start); got != run {
		t.Errorf("ran for %v, want %v", got, run)
	}
	return h
}

// say writes pieces, then closes or, with hang, stays.
func say(hang bool, pieces ...string) scanner {
	return func(c net.Conn) {
		for _, p := range pieces {
			if _, err := c.Write([]byte(p)); err != nil {
				return
			}
		}
		if !hang {
			_ = c.Close() // a pipe's close cannot fail
			return
		}
		_, _ = c.Read(make([]byte, 1)) // until the other side goes
	}
}

func TestListen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := listen(t, 0, time.Minute,
			say(false, "ID=A;D=1000", ";W=50\r\nID=B;D=1001;W=50\r\n\r\ngarbage\r\nID=C;D=1"),
			say(true, strings.Repeat("x", 100), "\r\nID=D;D=1002;W=50\r\n"))
		var ids []string
		for _, r := range h.readings {
			ids = append(ids, r.Roll)
		}
		// C is cut off by the end of its connection and belongs to none.
		if want := []string{"A", "B", "D"}; !slices.Equal(ids, want) {
			t.Errorf("readings %q, want %q", ids, want)
		}
		if len(h.problems) != 2 || !strings.Contains(h.problems[0], "garbage") || !strings.Contains(h.problems[1], "too long") {
			t.Errorf("problems %q", h.problems)
		}
		if want := []string{"up", "scanner scanner:9000: the scanner closed the connection", "up"}; !slices.Equal(h.links, want) {
			t.Errorf("links %q, want %q", h.links, want)
		}
	})
}

func TestListenBacksOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := listen(t, 0, 20*time.Second, say(false), say(false, "ID=A;D=1000;W=50\r\n"))
		// The first connection brings nothing, so the wait doubles; the second
		// brings a reading, so it begins again. Waits are ¾ of the nominal.
		var want []time.Duration
		at := time.Duration(0)
		for _, w := range []time.Duration{0, 250, 250, 500, 1000, 2000, 4000, 5000, 5000, 5000, 5000} {
			if at += w * time.Millisecond * 3 / 4; at < 20*time.Second {
				want = append(want, at)
			}
		}
		if !slices.Equal(h.dials, want) {
			t.Errorf("dials at %v, want %v", h.dials, want)
		}
	})
}

func TestListenSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := listen(t, 30*time.Second, time.Minute, say(true, "ID=A;D=1000;W=50\r\n"))
		if len(h.readings) != 1 || len(h.links) < 2 || !strings.Contains(h.links[1], "timeout") {
			t.Errorf("%d readings, links %q", len(h.readings), h.links)
		}
	})
}

// Over a true socket, ended in the middle of a read.
func TestListenOverTCP(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = ln.Close() }()
	go func() {
		c, err := ln.Accept()
		if err == nil {
			say(true, "ID=A;D=1000;W=50\r\n")(c)
		}
	}()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var dialer net.Dialer
	var got []Reading
	l := &Listener{Address: ln.Addr().String(), Parser: parser(t, pattern()), Dial: dialer.DialContext,
		First: time.Millisecond, Most: time.Millisecond, Jitter: func() float64 { return 0 },
		OnReading: func(r Reading) { got = append(got, r); cancel() },
		OnProblem: func(err error) { t.Error(err) }, OnLink: func(error) {}}
	l.Run(ctx)
	if len(got) != 1 || got[0].Roll != "A" {
		t.Errorf("readings %+v", got)
	}
}
