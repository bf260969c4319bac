package main

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"lapgate/gateway/inspect"
	"lapgate/sim"
	"lapgate/sim/controller"
)

// TestOnlineHoldsLimits compares the configuration with the limits that the
// simulated controller publishes, over either link: what is wider fails, with its
// name, both values and what to do.
func TestOnlineHoldsLimits(t *testing.T) {
	t.Parallel()
	const subject, feed = "limits of the controller", "limit of feed length"
	narrow := func(c *sim.Config) {
		for i, l := range c.Program.Limits {
			if l.Field == "feed_length" {
				c.Program.Limits[i] = controller.Limit{Field: l.Field, Min: 5000, Max: 400000} // 40 m
			}
		}
	}
	for _, c := range []struct {
		name    string
		change  func(*sim.Config)
		set     string
		subject string
		verdict inspect.Verdict
		got     []string
		code    int
	}{
		{"inside", func(*sim.Config) {}, "log.level=info", subject, inspect.OK, []string{"lie inside"}, exitDone},
		{"not published", func(c *sim.Config) { c.Program.ShowLimits = false }, "log.level=info", subject, inspect.Note, []string{"not published"}, exitDone},
		{"wider", narrow, "units.length=m", feed, inspect.Fail, []string{"1 m to 60 m in limits.feed_length", "inside 0.5 m to 40 m of the controller"}, exitDifferences},
	} {
		for _, link := range []string{"modbus-tcp", "opcua"} {
			t.Run(c.name+" "+link, func(t *testing.T) {
				args := []string{"check", "--online", "--json", "--config", demoOnDisk(t), "--set", "journal.directory=" + t.TempDir(), "--set", c.set}
				s := runningSim(t, func(conf *sim.Config) {
					c.change(conf)
					if link == "opcua" {
						conf.OPCUA.Addr, conf.OPCUA.Line, conf.OPCUA.Plain, conf.OPCUA.Anonymous = "127.0.0.1:0", "north", true, true
					}
				})
				if link == "opcua" {
					args = append(args, "--set", "lines.0.controller.protocol=opcua", "--set", "lines.0.controller.address="+s.OPCUA().URL(),
						"--set", "lines.0.controller.opcua.policy=None", "--set", "lines.0.controller.opcua.mode=None")
				} else {
					args = append(args, "--set", "lines.0.controller.address="+s.ModbusAddr())
				}
				var stdout, stderr bytes.Buffer
				if code := run(args, nil, nil, &stdout, &stderr); code != c.code {
					t.Fatalf("ended with %d, want %d: %s%s", code, c.code, stdout.String(), stderr.String())
				}
				var out struct{ Online []inspect.LineReport }
				if err := json.Unmarshal(stdout.Bytes(), &out); err != nil || len(out.Online) != 1 {
					t.Fatalf("%v: %s", err, stdout.String())
				}
				for _, i := range out.Online[0].Items {
					if i.Subject != c.subject || i.Verdict != c.verdict {
						continue
					}
					for _, want := range c.got {
						if !strings.Contains(i.Sentence(), want) {
							t.Errorf("%s: want %q in it", i.Sentence(), want)
						}
					}
					return
				}
				t.Errorf("%s is not %s in %s", c.subject, c.verdict, stdout.String())
			})
		}
	}
}
