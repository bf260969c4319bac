package main

import (
	"context"
	"fmt"
	"os"
	"os/signal"
	"syscall"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
	"go.uber.org/zap"

	"lapgate/gateway"
	"lapgate/gateway/control"
	"lapgate/gateway/status"
)

// serviceManager is who started the process and waits to be told of it, as systemd
// does. Outside of one nothing is told.
type serviceManager struct{ log *zap.Logger }

func (s serviceManager) tell(state string) {
	if _, err := daemon.SdNotify(false, state); err != nil {
		s.log.Warn("service manager not told", zap.String("state", state), zap.Error(err))
	}
}

// attend says READY once the lines have started, and then feeds the watchdog, when there
// is one, for as long as every line beats. It returns when ctx ends, having said STOPPING.
func (s serviceManager) attend(ctx context.Context, started <-chan struct{}, lines func() []status.Line) {
	defer s.tell(daemon.SdNotifyStopping)
	if !s.awaitStart(ctx, started) {
		return
	}
	s.tell(daemon.SdNotifyReady)
	interval, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		s.log.Warn("watchdog setting not understood", zap.Error(err))
	}
	if interval <= 0 {
		<-ctx.Done()
		return
	}
	feed := time.NewTicker(interval / 3)
	defer feed.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-feed.C:
			if still := stillLine(lines(), time.Now(), interval); still != "" {
				s.log.Error("a line stands still; the watchdog is not fed", zap.String("line", still))
				continue
			}
			s.tell(daemon.SdNotifyWatchdog)
		}
	}
}

// awaitStart asks for more time for as long as a line still reads its journal, however
// long that is. It reports false where ctx ends first.
func (s serviceManager) awaitStart(ctx context.Context, started <-chan struct{}) bool {
	const every, atLeast = 10 * time.Second, time.Minute
	again := time.NewTicker(every)
	defer again.Stop()
	for {
		select {
		case <-started:
			return true
		case <-ctx.Done():
			return false
		case <-again.C:
			s.tell(fmt.Sprintf("EXTEND_TIMEOUT_USEC=%d", atLeast.Microseconds()))
		}
	}
}

// stillLine names a line that is served and has not beaten for limit, empty for none.
// A line that has ended said so itself, and one that still reads its journal may take
// long for it: to start the process anew would mend neither.
func stillLine(lines []status.Line, now time.Time, limit time.Duration) string {
	for i := range lines {
		if l := &lines[i]; l.Begun && !l.Ended && now.Sub(l.At) > limit {
			return l.Name
		}
	}
	return ""
}

// reloadOnHangup puts the configuration in force again on each SIGHUP. One
// that is refused changes nothing; the gateway tells of it.
func (s serviceManager) reloadOnHangup(ctx context.Context, o *gateway.Operator) {
	hangup := make(chan os.Signal, 1)
	signal.Notify(hangup, syscall.SIGHUP)
	defer signal.Stop(hangup)
	for {
		select {
		case <-ctx.Done():
			return
		case <-hangup:
			s.tell(fmt.Sprintf("%s\nMONOTONIC_USEC=%d", daemon.SdNotifyReloading, monotonicMicroseconds()))
			o.Reload(ctx, &control.Request{Command: control.Reload, Caller: control.Daemon()}, false)
			s.tell(daemon.SdNotifyReady)
		}
	}
}
