package gateway

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"go.uber.org/zap"

	"lapgate/gateway/config"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// tendEvery is the time between looks at the size and age of a journal.
const tendEvery = time.Minute

func ruleOf(j *config.Journal) journal.Rule {
	return journal.Rule{Size: int64(j.CloseSize) * megabyte, Age: j.CloseAge, Keep: j.Keep}
}

// tend closes the journal off between two rolls where it is due, and removes archives
// whose time is over. An arming that waits for its controller is no state to carry over:
// the next file would begin as if the line were armed. While somebody reads the journal it
// waits, and the line does not.
func (l *lineLoop) tend(ctx context.Context) {
	if l.halted != nil || l.waits != nil || time.Since(l.tended) < tendEvery {
		return
	}
	carry := func() (record.Carry, bool) {
		c, ok := l.machine.Carry()
		c.Mode, c.Config, c.Asked, c.Rolls, c.Roll = l.stands.mode, l.wholeDeclared(), l.stands.asked, l.stands.rolls, l.stands.roll
		c.Alarms, c.Published = l.carryAlarms(), l.sent
		return c, ok
	}
	rule := l.set.rule
	rule.Shipped = l.shipped.arrived()
	var done journal.Tended
	var err error
	if !l.file.TryAlone(func() {
		done, err = l.journal.Tend(context.WithoutCancel(ctx), rule, l.machine.Status().Acked, carry)
	}) {
		return
	}
	l.tended = time.Now()
	if err != nil {
		l.log.Warn("the journal could not be closed off or its archives not be removed", zap.Error(err))
	}
	if done.Closed != "" {
		l.log.Info("the journal was closed off and goes on in a new file", zap.String("archive", done.Closed), zap.Stringer("head", done.Head))
	}
	if s := done.Carried; s.Seq > 0 {
		l.lastSeq = s.Seq
		l.shipped.recorded(s)
	}
	for _, a := range done.Removed {
		l.log.Info("an archive was removed; its time is over", zap.String("archive", a))
	}
}

// OpenJournals opens the journal of each line below the configured directory.
func OpenJournals(s *config.Snapshot) func(context.Context, string) (Journal, error) {
	folders := journal.Share(new(journal.Folders))
	return func(ctx context.Context, line string) (Journal, error) {
		path := s.Journal.Path(line)
		if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
			return nil, err
		}
		j, err := journal.Open(ctx, path, journal.OwnedBy(journal.Owner{Line: line, Folder: s.Journal.StateFolder()}), folders, journal.ProvedByReplay())
		if err != nil {
			if errors.Is(err, journal.ErrInUse) {
				return nil, fmt.Errorf("another process serves this line: %w", err)
			}
			return nil, err
		}
		return j, nil
	}
}
