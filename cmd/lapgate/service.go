package main

import (
	"context"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
	"go.uber.org/zap"
)

// tellServiceManager says READY and then feeds the watchdog, when there is
// one, for as long as alive says so. It returns when ctx ends, having said
// STOPPING. Outside a service manager it does nothing.
func tellServiceManager(ctx context.Context, log *zap.Logger, alive func() bool) {
	notify := func(state string) {
		if _, err := daemon.SdNotify(false, state); err != nil {
			log.Warn("service manager not told", zap.String("state", state), zap.Error(err))
		}
	}
	notify(daemon.SdNotifyReady)
	defer notify(daemon.SdNotifyStopping)
	interval, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		log.Warn("watchdog setting not understood", zap.Error(err))
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
			if alive() {
				notify(daemon.SdNotifyWatchdog)
			}
		}
	}
}
