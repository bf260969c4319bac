package gateway

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"

	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

var errNoConnection = errors.New("no connection")

// connect dials once and tells of the first failure, of one for another reason, of
// one that stays for minutes, and of the recovery.
func (l *lineLoop) connect(ctx context.Context) {
	l.retry.waiting = false
	dialling, cancel := context.WithTimeout(ctx, l.set.connectTimeout)
	defer cancel()
	port, err := l.dialer.Dial(dialling)
	if err != nil {
		if ctx.Err() != nil {
			return
		}
		l.options.Metrics.DialFailed(l.set.name)
		l.unreachable(err)
		return
	}
	l.port = port
	l.handle(ctx, cycle.LinkUp{})
}

// unreachable notes that the controller cannot be connected to.
func (l *lineLoop) unreachable(err error) {
	if l.outage.begin(time.Now(), err) {
		fields := []zap.Field{zap.Error(err)}
		if help := helpOf(err); help != "" {
			fields = append(fields, zap.String("remedy", help))
		}
		l.log.Warn("controller not reachable; trying again until it is", fields...)
	}
}

// found notes that the controller answers with a whole request block.
func (l *lineLoop) found() {
	l.retry.reset()
	if told := l.outage.end(time.Now()); told != nil {
		l.log.Info("controller reachable again", told...)
	}
}

// hangUp closes the connection, and forgets what it still had to say.
func (l *lineLoop) hangUp() {
	if l.port == nil {
		return
	}
	if err := l.port.Close(); err != nil {
		l.log.Debug("closing the connection", zap.Error(err))
	}
	l.port = nil
	l.queue = l.queue[:0]
}

// send is the only place from which a controller is written to. It lets
// nothing through while the line is not armed, nor a block that is not the
// gateway's.
func (l *lineLoop) send(ctx context.Context, b handshake.ID, words []uint16) bool {
	switch b {
	case handshake.HEARTBEAT, handshake.HELLO, handshake.PAYLOAD, handshake.COMMIT, handshake.ACK:
	default:
		l.halted = fmt.Errorf("block %s belongs to the controller and is never written; this is a program error", b)
		return false
	}
	if !l.armed {
		l.options.Metrics.WriteForbidden(l.set.name)
		l.log.Error("a write was asked for while the line is in shadow, and not done", zap.Stringer("block", b))
		l.queue = append(l.queue, cycle.Refused{Block: b, Err: "the line is in shadow"})
		return false
	}
	if l.port == nil {
		l.failed(b, errNoConnection)
		return false
	}
	ctx, cancel := context.WithTimeout(ctx, l.set.requestTimeout)
	defer cancel()
	if err := l.port.Write(ctx, b, words); err != nil {
		l.failed(b, err)
		return false
	}
	l.queue = append(l.queue, cycle.Written{Block: b})
	return true
}

func (l *lineLoop) read(ctx context.Context, b handshake.ID, spans ...link.Span) bool {
	if l.port == nil {
		l.failed(b, errNoConnection)
		return false
	}
	ctx, cancel := context.WithTimeout(ctx, l.set.requestTimeout)
	defer cancel()
	if err := l.port.Read(ctx, spans...); err != nil {
		l.failed(b, err)
		return false
	}
	return true
}

// failed turns an error of the port into an event. A no is an answer, and the
// connection lives on; after anything else the fate of what was on its way
// is unknown, and the port is dead.
func (l *lineLoop) failed(b handshake.ID, err error) {
	class := link.ClassOf(err)
	switch {
	case class == link.NoData && b == handshake.REQ:
		l.options.Metrics.BadView(l.set.name, handshake.CauseNoData)
		l.queue = append(l.queue, cycle.BadView{Cause: handshake.CauseNoData})
		return
	case class == link.NoAccess && b == handshake.PAYLOAD:
		l.queue = append(l.queue, cycle.Payload{Closed: true})
		return
	case class.Answered():
		l.options.Metrics.Refused(l.set.name, b)
		l.queue = append(l.queue, cycle.Refused{Block: b, Err: err.Error()})
		return
	}
	l.outage.begin(time.Now(), err) // the machine tells of it
	l.hangUp()
	l.queue = append(l.queue, cycle.LinkDown{Err: err.Error()})
}

func helpOf(err error) string {
	var e *link.Error
	if errors.As(err, &e) {
		return e.Help
	}
	return ""
}
