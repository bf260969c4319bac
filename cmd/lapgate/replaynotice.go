package main

import (
	"context"
	"time"

	"lapgate/gateway/process"
)

// noticeOnly refuses what has no meaning beside --notice.
func (f *replayFlags) noticeOnly(changed func(string) bool) error {
	for _, name := range []string{"old", "outer", "show"} {
		if changed(name) {
			return usageError("--notice looks for faults of the process and compares no recipes: leave --%s out", name)
		}
	}
	return nil
}

// replayNotice looks for faults of the process in a journal.
func (p *program) replayNotice(ctx context.Context, of *journals, f *replayFlags) error {
	about, line, _, err := p.replayLines(ctx, of, f)
	if err != nil {
		return err
	}
	out := process.NewReport(of.names(), about.Config, line)
	if err := p.scanRolls(ctx, of.list, time.Time{}, out.Take); err != nil {
		return err
	}
	out.Finish()
	if err := p.printer(f.out, line).Print(out); err != nil {
		return err
	}
	if len(out.Findings) > 0 {
		return &exitError{code: exitDifferences}
	}
	return nil
}
