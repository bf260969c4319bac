package checkup_test

import (
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"lapgate/configs"
	"lapgate/gateway/checkup"
	"lapgate/gateway/config"
	"lapgate/gateway/inspect"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// sound is a machine on which all is well, with a journal of the demo's line.
func sound(t *testing.T, set map[string]string) (s *config.Snapshot, system checkup.System) {
	t.Helper()
	dir := t.TempDir()
	all := map[string]string{"journal.directory": filepath.Join(dir, "journal"), "status.listen": "127.0.0.1:0"}
	for k, v := range set {
		all[k] = v
	}
	file := filepath.Join(dir, "mill.yaml")
	if err := os.WriteFile(file, configs.Demo(), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := config.Load(config.Source{Path: file, Set: all})
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(s.Journal.Directory, 0o750); err != nil {
		t.Fatal(err)
	}
	j, err := journal.Open(t.Context(), s.Journal.Path("north"), journal.OwnedBy(journal.Owner{Line: "north", Folder: s.Journal.StateFolder()}))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := j.Append(t.Context(), record.Hold{On: true, By: "kim", Reason: "trial"}); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	return s, checkup.System{
		Lookup: func(string) (string, bool) { return "", false },
		Free:   func(string) (uint64, error) { return 1e12, nil },
		Clock: func() (checkup.Clock, error) {
			return checkup.Clock{Synchronised: true, MaxError: time.Millisecond}, nil
		},
		Now: time.Now,
	}
}

func failed(items []inspect.Item) []inspect.Item {
	return (&inspect.Report{Items: items}).Failed()
}

func TestNothingWrong(t *testing.T) {
	s, system := sound(t, nil)
	items := checkup.Look(t.Context(), s, system)
	for _, i := range failed(items) {
		t.Error(i.Sentence())
	}
	if len(items) < 8 {
		t.Errorf("only %d things were looked at", len(items))
	}
}

func TestEachFaultIsFound(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("permissions are kept elsewhere")
	}
	chmod := func(t *testing.T, path string, mode os.FileMode) {
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
	}
	secret := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(secret, []byte("sesame\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = taken.Close() }()
	for name, c := range map[string]struct {
		set             map[string]string
		spoil           func(*testing.T, *config.Snapshot, *checkup.System)
		subject, remedy string
	}{
		"configuration that all may write": {nil, func(t *testing.T, s *config.Snapshot, _ *checkup.System) { chmod(t, s.File, 0o666) }, "configuration", "chmod go-w"},
		"journal that all may write":       {nil, func(t *testing.T, s *config.Snapshot, _ *checkup.System) { chmod(t, s.Journal.Path("north"), 0o666) }, "file north.db", "chmod o-w"},
		"no room": {nil, func(_ *testing.T, _ *config.Snapshot, m *checkup.System) {
			m.Free = func(string) (uint64, error) { return 1e6, nil }
		}, "room on the disk of the journals", "make room"},
		"clock that nobody keeps": {nil, func(_ *testing.T, _ *config.Snapshot, m *checkup.System) {
			m.Clock = func() (checkup.Clock, error) { return checkup.Clock{}, nil }
		}, "clock", "start the time service"},
		"password that all may read": {map[string]string{"publish.mqtt.broker": "mqtt://127.0.0.1:1883", "publish.mqtt.user": "gateway", "publish.mqtt.password": "file:" + secret}, nil, "secret publish.mqtt.password", "mode 0600"},
		"password that is not there": {map[string]string{"publish.mqtt.broker": "mqtt://127.0.0.1:1883", "publish.mqtt.user": "gateway", "publish.mqtt.password": "env:NOWHERE"}, nil, "secret publish.mqtt.password", "environment"},
		"port that is taken":         {map[string]string{"status.listen": taken.Addr().String()}, nil, "port of the status page", "status.listen"},
		"damaged journal": {nil, func(t *testing.T, s *config.Snapshot, _ *checkup.System) {
			path := s.Journal.Path("north")
			b, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			at := strings.LastIndex(string(b), "trial")
			b[at] ^= 1
			if err := os.WriteFile(path, b, 0o600); err != nil {
				t.Fatal(err)
			}
		}, "journal of line north", "journal verify"},
		"journal of another installation": {nil, func(t *testing.T, s *config.Snapshot, _ *checkup.System) {
			if err := os.RemoveAll(s.Journal.StateFolder()); err != nil {
				t.Fatal(err)
			}
			folder := s.Journal.StateFolder()
			if err := os.Mkdir(folder, 0o750); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(folder, "installation"), []byte(strings.Repeat("a", 32)), 0o600); err != nil {
				t.Fatal(err)
			}
		}, "journal of line north", "journal accept"},
	} {
		t.Run(name, func(t *testing.T) {
			s, system := sound(t, c.set)
			if c.spoil != nil {
				c.spoil(t, s, &system)
			}
			found := false
			for _, i := range failed(checkup.Look(t.Context(), s, system)) {
				found = found || i.Subject == c.subject && strings.Contains(i.Remedy, c.remedy)
				if i.Remedy == "" {
					t.Errorf("no remedy: %s", i.Sentence())
				}
			}
			if !found {
				t.Errorf("nothing is said of %s with %q", c.subject, c.remedy)
			}
		})
	}
}

// The kernel answers, or says that it does not.
func TestKeptClock(t *testing.T) {
	if k, err := checkup.KeptClock(); err == nil && k.MaxError < 0 {
		t.Errorf("the clock may be off by %s", k.MaxError)
	}
}
