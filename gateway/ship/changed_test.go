package ship_test

import (
	"context"
	"errors"
	"runtime"
	"sync"
	"testing"
	"time"

	"lapgate/gateway/cycle"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/ship"
)

// The newest state of a line is told last, however long it takes to tell the one before.
func TestNewestIsToldLast(t *testing.T) {
	var mu sync.Mutex
	var told []uint64 // backlogs
	first, free := make(chan struct{}), make(chan struct{})
	s := ship.New(ship.Settings{
		Connect: func(context.Context) (ship.Conn, error) { return nil, errors.New("no route") },
		Failed:  func(error) time.Duration { return time.Hour },
		Lines:   []ship.Line{{Name: "north", Journal: journal.NewShared("none")}},
		Changed: func(_ string, st ship.State) {
			if st.Backlog == 1 {
				close(first)
				<-free
			}
			mu.Lock()
			defer mu.Unlock()
			told = append(told, st.Backlog)
		},
		Stored: func(string, cycle.Stored) {},
	})
	var both sync.WaitGroup
	both.Go(func() { s.Recorded("north", record.Stored{Seq: 1, Record: record.Mode{}}) })
	<-first
	both.Go(func() { s.Recorded("north", record.Stored{Seq: 2, Record: record.Mode{}}) })
	overtaken := func() bool {
		mu.Lock()
		defer mu.Unlock()
		return len(told) > 0
	}
	for range 1000 {
		if overtaken() {
			break
		}
		runtime.Gosched()
	}
	close(free)
	both.Wait()
	if len(told) != 2 || told[1] != 2 {
		t.Errorf("told in turn that %v records wait, and 2 do", told)
	}
}
