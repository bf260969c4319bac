package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/inspect"
	"lapgate/gateway/journal"
	"lapgate/gateway/link"
	"lapgate/gateway/record"
	"lapgate/gateway/tags"
)

// lineLook is what was seen of one line's controller.
type lineLook struct {
	Line     string `json:"line"`
	Protocol string `json:"protocol"`
	Address  string `json:"address"`
	inspect.Report
	*tagsLook // nil for a controller with blocks
}

// online looks at the controllers of the lines, all at the same time. It only
// reads.
func (p *program) online(ctx context.Context, s *config.Snapshot, lines []*config.Line, timeout time.Duration) []lineLook {
	looks := make([]lineLook, len(lines))
	var all sync.WaitGroup
	for i, l := range lines {
		all.Go(func() {
			ctx, cancel := context.WithTimeout(ctx, timeout)
			defer cancel()
			looks[i] = p.lookAt(ctx, s, l)
		})
	}
	all.Wait()
	return looks
}

func (p *program) lookAt(ctx context.Context, s *config.Snapshot, l *config.Line) lineLook {
	look := lineLook{Line: l.Recipe.Name, Protocol: string(l.Controller.Protocol), Address: l.Controller.Address}
	warnings := &linkWarnings{}
	look.Report = *p.blocksOf(ctx, s, l, warnings, &look)
	look.Items = append(warnings.items, look.Items...)
	return look
}

// blocksOf looks at the blocks of a line, and first at its tags where it has
// tags. Without all of those there are no blocks to look at.
func (p *program) blocksOf(ctx context.Context, s *config.Snapshot, l *config.Line, warnings *linkWarnings, look *lineLook) *inspect.Report {
	dialer, err := p.connections.Of(l, warnings.add)
	if err != nil {
		return inspect.Undialled(err)
	}
	var first []inspect.Item
	if d, ok := dialer.(*tags.Dialer); ok {
		seen, items, err := p.lookAtTags(ctx, l, d)
		if err != nil {
			return inspect.Undialled(err)
		}
		look.tagsLook, first = seen, items
		if r := (&inspect.Report{Items: items}); len(r.Failed()) > 0 {
			return r
		}
	}
	port, err := dialer.Dial(ctx)
	if err != nil {
		r := inspect.Undialled(err)
		r.Items = append(first, r.Items...)
		return r
	}
	defer func() { _ = port.Close() }() // only read from
	known, doubt := knownOf(ctx, s.Journal.Path(l.Recipe.Name))
	t := l.Controller.Times
	r := inspect.Look(ctx, port, inspect.Expect{
		Line: l.Recipe, Poll: t.Poll, Stale: t.DataStale, Request: t.RequestTimeout, Known: known,
	})
	r.Items = append(append(first, r.Items...), doubt...)
	return r
}

// knownOf reads from a journal what it knows of the controller. A line that was
// never served has none.
func knownOf(ctx context.Context, path string) (k inspect.Known, doubt []inspect.Item) {
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		return k, []inspect.Item{{Subject: "journal", Verdict: inspect.Note, Got: "none at " + path}}
	}
	r, err := journal.OpenReader(ctx, path)
	if err == nil {
		err = errors.Join(r.Replay(ctx, func(s record.Stored) error { k.Take(s); return nil }), r.Close())
	}
	if err != nil {
		return inspect.Known{}, []inspect.Item{{Subject: "journal", Verdict: inspect.Warn, Got: err.Error(),
			Want: "a journal to compare the controller with", Remedy: "run lapgate journal verify " + path}}
	}
	return k, nil
}

// linkWarnings keeps the warnings of a connection as items of the report.
type linkWarnings struct{ items []inspect.Item }

func (c *linkWarnings) add(w link.Warning) {
	c.items = append(c.items, inspect.Item{Subject: w.Code, Verdict: inspect.Warn, Got: w.Text, Remedy: w.Help})
}

// printLooks prints what was seen, a line each, with the remedies below.
func (p *program) printLooks(looks []lineLook) {
	for i := range looks {
		l := &looks[i]
		fmt.Fprintf(p.stdout, "line %s, %s %s\n", l.Line, l.Protocol, l.Address)
		for _, item := range l.Items {
			word := string(item.Verdict)
			if item.Verdict == inspect.Fail {
				word = "FAIL"
			}
			text := item.Got
			if item.Want != "" {
				text += " (want " + item.Want + ")"
			}
			fmt.Fprintf(p.stdout, "  %-4s  %s: %s\n", word, item.Subject, strings.ReplaceAll(text, "\n", "\n        "))
			if item.Remedy != "" {
				fmt.Fprintf(p.stdout, "        %s\n", item.Remedy)
			}
		}
		if l.tagsLook != nil {
			l.print(p.stdout)
		}
	}
}

// looksError is the exit of a look at the controllers: nil when nothing failed.
func looksError(looks []lineLook) error {
	var failed, away []string
	for i := range looks {
		switch {
		case looks[i].Unreachable:
			away = append(away, looks[i].Line)
		case len(looks[i].Failed()) > 0:
			failed = append(failed, looks[i].Line)
		}
	}
	var text []string
	if len(failed) > 0 {
		text = append(text, "not as configured: line "+strings.Join(failed, ", "))
	}
	if len(away) > 0 {
		text = append(text, "controller not reachable: line "+strings.Join(away, ", "))
		return &exitError{exitUnreachable, errors.New(strings.Join(text, "; "))}
	}
	if len(failed) > 0 {
		return &exitError{exitDifferences, errors.New(strings.Join(text, "; "))}
	}
	return nil
}
