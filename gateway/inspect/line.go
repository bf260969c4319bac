package inspect

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"sync"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/journal"
	"lapgate/gateway/link"
	"lapgate/gateway/record"
	"lapgate/gateway/tags"
)

// LineReport is what was seen of the controller of one line.
type LineReport struct {
	Line     string `json:"line"`
	Protocol string `json:"protocol"`
	Address  string `json:"address"`
	Report
	*TagsReport // nil for a controller with blocks
}

// Lines compares the controllers of lines with the configuration and with what
// their journals know, all at the same time, each for timeout at most.
func Lines(ctx context.Context, via *connect.Dialers, s *config.Snapshot, lines []*config.Line, timeout time.Duration) []LineReport {
	reports := make([]LineReport, len(lines))
	var all sync.WaitGroup
	for i, l := range lines {
		all.Go(func() {
			ctx, cancel := context.WithTimeout(ctx, timeout)
			defer cancel()
			reports[i] = lineReport(ctx, via, s, l)
		})
	}
	all.Wait()
	return reports
}

func lineReport(ctx context.Context, via *connect.Dialers, s *config.Snapshot, l *config.Line) LineReport {
	out := LineReport{Line: l.Recipe.Name, Protocol: string(l.Controller.Protocol), Address: l.Controller.Address}
	var warnings []Item
	warn := func(w link.Warning) {
		warnings = append(warnings, Item{Subject: w.Code, Verdict: Warn, Got: w.Text, Remedy: w.Help})
	}
	out.Report = *out.compare(ctx, via, s, l, warn)
	out.Items = append(warnings, out.Items...)
	return out
}

// compare looks at the tags of a line where it has any, and then at its blocks.
// Without all of its tags there are no blocks to look at.
func (out *LineReport) compare(ctx context.Context, via *connect.Dialers, s *config.Snapshot, l *config.Line, warn func(link.Warning)) *Report {
	dialer, err := via.Of(l, warn)
	if err != nil {
		return Undialled(err)
	}
	var first []Item
	if d, ok := dialer.(*tags.Dialer); ok {
		if out.TagsReport, first, err = readTags(ctx, via, l, d); err != nil {
			return Undialled(err)
		}
		if r := (&Report{Items: first}); len(r.Failed()) > 0 {
			return r
		}
	}
	port, err := dialer.Dial(ctx)
	if err != nil {
		r := Undialled(err)
		r.Items = append(first, r.Items...)
		return r
	}
	defer func() { _ = port.Close() }() // only read from
	past, doubt := pastOf(ctx, s.Journal.Path(l.Recipe.Name), journal.Owner{Line: l.Recipe.Name, Folder: s.Journal.StateFolder()})
	t := l.Controller.Times
	r := Controller(ctx, port, Expect{Line: l.Recipe, Poll: t.Poll, Stale: t.DataStale, Request: t.RequestTimeout, Past: past})
	r.Items = append(append(first, r.Items...), doubt...)
	return r
}

// pastOf reads from a journal what it tells of the controller. A line that was
// never served has none.
func pastOf(ctx context.Context, path string, owner journal.Owner) (past record.Past, doubt []Item) {
	past = record.NewPast()
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return past, []Item{{Subject: "journal", Verdict: Note, Got: "none at " + path}}
	}
	r, err := journal.OpenReader(ctx, path)
	if err == nil {
		err = r.Replay(ctx, func(s record.Stored) error { return past.Add(s.Record) })
		found, e := owner.Doubts(ctx, r)
		err = errors.Join(err, e, r.Close())
		for _, d := range append(found, past.Doubts...) {
			doubt = append(doubt, Item{Subject: "journal", Verdict: Fail, Got: d, Want: "the journal that the line last wrote",
				Remedy: "find that one, or what became of the rolls that this one does not hold; then have the line run and accept the one that is there: lapgate journal accept"})
		}
	}
	if err != nil {
		return record.NewPast(), []Item{{Subject: "journal", Verdict: Warn, Got: err.Error(),
			Want: "a journal to compare the controller with", Remedy: "run lapgate journal verify " + path}}
	}
	return past, doubt
}
