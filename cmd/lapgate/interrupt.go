package main

import (
	"context"
	"errors"
	"os"
	"os/signal"
	"slices"
	"syscall"

	"github.com/spf13/cobra"
)

// interrupts are the signals that ask the process to end. Main catches them before it
// does anything else, so that one that comes early ends a daemon as one that comes
// late does: in good order, with exit code 0.
func interrupts() chan os.Signal {
	c := make(chan os.Signal, 1)
	signal.Notify(c, os.Interrupt, syscall.SIGTERM)
	return c
}

// servers are the commands that go on until they are asked to end.
func servers() []string {
	return []string{"lapgate run", "lapgate demo", "lapgate sim", "lapgate accept"}
}

// release lets a signal end a command that is no server, as it ends any program. The
// error is that one came already.
func (p *program) release(cmd *cobra.Command) error {
	if p.signals == nil || slices.Contains(servers(), cmd.CommandPath()) {
		return nil
	}
	signal.Stop(p.signals)
	select {
	case <-p.signals:
		return errors.New("interrupted")
	default:
		return nil
	}
}

// untilInterrupted is a context that ends with the first signal.
func (p *program) untilInterrupted(ctx context.Context) (context.Context, context.CancelFunc) {
	if p.signals == nil {
		return signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM)
	}
	ctx, cancel := context.WithCancel(ctx)
	select {
	case <-p.signals:
		cancel()
	default:
		go func() {
			select {
			case <-p.signals:
				cancel()
			case <-ctx.Done():
			}
		}()
	}
	return ctx, cancel
}
