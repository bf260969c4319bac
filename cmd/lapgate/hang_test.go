package main

import (
	"bytes"
	"context"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/control"
	"lapgate/recipe/caution"
)

// TestActsAreAskedFor: the caution and what comes of it stand before the question,
// and nothing is told without a yes.
func TestActsAreAskedFor(t *testing.T) {
	hang := []string{"hang", "--slot", "2", "--width", "36 in", "--paper", "kraft-poly", "--by", "kim"}
	station := []string{"station", "header", "manual", "--by", "kim"}
	for name, c := range map[string]struct {
		args []string
		code int
		sent int
		want string
	}{
		"hang without a terminal": {hang, exitUsage, 1, "without a terminal this needs --yes"},
		"hang":                    {append(hang, "--yes"), exitDone, 2, "CAUTION. " + caution.Overhead.String()},
		"hang without a paper":    {[]string{"hang", "--slot", "2", "--width", "36 in", "--by", "kim"}, exitUsage, 0, "--width and --paper, or --empty"},
		"hang by nobody":          {[]string{"hang", "--slot", "2", "--empty"}, exitUsage, 0, "needs --slot N, --by NAME"},
		"hang nowhere":            {[]string{"hang", "--empty", "--by", "kim"}, exitUsage, 0, "needs --slot N"},
		"empty":                   {[]string{"hang", "--slot", "2", "--empty", "--by", "kim", "--yes"}, exitDone, 2, "CAUTION"},
		"taken back":              {[]string{"hang", "--slot", "2", "--correct", "4", "--by", "kim", "--yes"}, exitDone, 2, "CAUTION"},
		"heads":                   {[]string{"stock", "--material", "board-poly", "--size", "48 in", "--left", "0", "--by", "kim", "--yes"}, exitDone, 2, "CAUTION. " + caution.Ends.String()},
		"heads without a count":   {[]string{"stock", "--material", "board-poly", "--size", "48 in", "--by", "kim"}, exitUsage, 0, "--left N and --by NAME"},
		"station":                 {append(station, "--yes", "--until", "06:00"), exitDone, 2, "CAUTION. " + caution.ReachIn.String()},
		"station, not a time":     {append(station, "--yes", "--until", "six"), exitUsage, 0, `--until: got "six"`},
		"station for ever":        {append(station, "--yes"), exitDone, 2, "CAUTION"},
		"station by nobody":       {[]string{"station", "header", "manual"}, exitUsage, 0, "needs --by NAME"},
		"end of what ends not":    {[]string{"station", "header", "auto", "--by", "kim", "--until", "06:00"}, exitUsage, 0, "leave it out"},
		"station without a mode":  {[]string{"station", "header", "--by", "kim"}, exitUsage, 0, "takes a station and its mode, got 1"},
	} {
		t.Run(name, func(t *testing.T) {
			var got []control.Request
			socket := filepath.Join(t.TempDir(), "c.sock")
			s, err := control.Listen(t.Context(), socket, func(_ context.Context, r control.Request) control.Reply {
				got = append(got, r)
				return control.Reply{Outcome: control.Done, Text: []string{"line north: what comes of it"}}
			})
			if err != nil {
				t.Fatal(err)
			}
			var stdout, stderr bytes.Buffer
			code := run(append(append([]string{}, c.args...), "--socket", socket), []string{"TZ=UTC"}, strings.NewReader("yes\n"), &stdout, &stderr)
			if err := s.Close(); err != nil {
				t.Error(err)
			}
			if all := stdout.String() + stderr.String(); code != c.code || !strings.Contains(all, c.want) {
				t.Errorf("ended with %d: %s, want %d and %q", code, all, c.code, c.want)
			}
			if len(got) != c.sent {
				t.Fatalf("the daemon was asked %d times, want %d", len(got), c.sent)
			}
			for i, r := range got {
				if r.Agreed != (i == 1) || r.By != "kim" {
					t.Errorf("call %d asked %+v", i+1, r)
				}
			}
		})
	}
}

// A time of day is the next one.
func TestNextTimeOfDay(t *testing.T) {
	now := time.Date(2026, 11, 25, 23, 30, 0, 0, time.UTC).In(berlin(t)) // 00:30 there
	for text, want := range map[string]time.Time{
		"06:00":            time.Date(2026, 11, 26, 5, 0, 0, 0, time.UTC),
		"00:30":            time.Date(2026, 11, 26, 23, 30, 0, 0, time.UTC),
		"2026-12-01 06:00": time.Date(2026, 12, 1, 5, 0, 0, 0, time.UTC),
	} {
		if got, err := readEnd(text, now); err != nil || !got.Equal(want) {
			t.Errorf("%s: %v, %v, want %v", text, got, err, want)
		}
	}
}
