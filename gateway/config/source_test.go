package config_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/scan"
)

func TestSources(t *testing.T) {
	load := func(set map[string]string) (*config.Snapshot, error) {
		return config.Load(config.Source{Path: "sparse.yaml", Bytes: []byte(sparse), Set: set})
	}
	s, err := load(nil)
	if err != nil {
		t.Fatal(err)
	}
	if l := &s.Lines[0]; !l.Scanner.Off() || !l.Orders.Off() {
		t.Errorf("sources without being asked for: %+v %+v", l.Scanner, l.Orders)
	}
	s, err = load(map[string]string{
		"lines.0.scanner.address": "192.0.2.7:9100", "lines.0.scanner.delimiter": "etx", "lines.0.scanner.window": "45 s",
		"lines.0.scanner.pattern":  `(?P<roll>[^;]+);(?P<width>[0-9.]+)(?P<unit>mm|in)`,
		"lines.0.orders.directory": "orders", "lines.0.orders.poll": "500 ms",
	})
	if err != nil {
		t.Fatal(err)
	}
	l := &s.Lines[0]
	if l.Scanner.Off() || l.Orders.Off() || l.Scanner.Window != 45*time.Second || l.Orders.Poll != 500*time.Millisecond || l.Orders.Directory != "orders" {
		t.Errorf("got %+v %+v", l.Scanner, l.Orders)
	}
	p, err := scan.NewParser(l.Scanner.Text())
	if err != nil {
		t.Fatal(err)
	}
	p.Framer().Feed([]byte("R-7;32in\x03"), func(m []byte, err error) {
		r, err2 := p.Parse(m)
		if err = errors.Join(err, err2); err != nil || r.Roll != "R-7" || r.Width != 0.8128 || r.Diameter != 0 {
			t.Errorf("read %+v with %v", r, err)
		}
	})

	for set, want := range map[string]string{
		"lines.0.scanner.address=far":           "scanner.address: not an address",
		"lines.0.scanner.pattern=(":             "scanner.pattern: pattern not usable: error parsing regexp",
		"lines.0.scanner.pattern=(?P<width>.*)": "scanner.pattern: pattern not usable: no group roll",
		"lines.0.scanner.pattern=(?P<roll>.*)":  "scanner.pattern: pattern not usable: neither a group diameter nor width",
		"lines.0.scanner.delimiter=comma":       "scanner.delimiter: unknown value",
		"lines.0.scanner.width_unit=kg":         "scanner.width_unit: unknown value",
		"lines.0.scanner.reconnect_min=50 s":    "scanner.reconnect_min: first wait above the longest",
		"lines.0.scanner.wait=40 s":             "scanner.wait: rolls wait longer than a reading counts",
		"lines.0.scanner.window=5":              "scanner.window: ",
		"lines.0.orders.directory= ":            "orders.directory: ",
		"lines.0.orders.poll=0 s":               "orders.poll: out of range",
		"lines.0.orders.folder=drop":            "orders.folder: ",
	} {
		key, value, _ := strings.Cut(set, "=")
		if _, err := load(map[string]string{key: value}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("--set %q: %v, want %q", set, err, want)
		}
	}
}
