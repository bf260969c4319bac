package gateway

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"

	"lapgate/gateway/cycle"
)

// roomLooks is the time between looks at the room on the disk: what fills one within
// less would fill it whatever people are told.
const roomLooks = 30 * time.Second

const megabyte = 1e6 // bytes, as disks are sold

// watchRoom tells of a disk of the journals that has less room than configured, again
// while that stays, and when there is room again. It returns when ctx ends or where
// the system does not tell the room.
func (g *Gateway) watchRoom(ctx context.Context) {
	ticker := time.NewTicker(roomLooks)
	defer ticker.Stop()
	var low outage
	for {
		free, err := g.options.FreeRoom(g.journals)
		switch {
		case errors.Is(err, errors.ErrUnsupported):
			return
		case err != nil: // as while the folder is not made yet
			g.options.Log.Debug("the room on the disk of the journals is not known", zap.Error(err))
		default:
			g.options.Metrics.Room(free)
			g.judgeRoom(&low, free)
		}
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

func (g *Gateway) judgeRoom(low *outage, free uint64) {
	least := uint64(g.leastFree.Load()) * megabyte
	if free >= least {
		g.short.Store(false)
		if told := low.end(time.Now()); told != nil {
			g.options.Log.Info("the disk of the journals has room again", told...)
		}
		return
	}
	g.short.Store(true)
	err := fmt.Errorf("%d MB are free on the disk of the journals, %d wanted at least", free/megabyte, least/megabyte)
	if !low.begin(time.Now(), err) {
		return
	}
	for _, p := range g.lines {
		g.options.Metrics.Notified(p.name, cycle.ConditionRoom, cycle.Warning)
	}
	c, _ := cycle.ConditionOf(cycle.ConditionRoom)
	words := g.Words()
	g.options.Log.Warn(words.Text(c.Meaning),
		zap.String("code", c.Code), zap.String("directory", g.journals), zap.Error(err),
		zap.String("remedy", words.Text(c.Remedy)))
}
