package config_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lapgate/configs"
	"lapgate/gateway/config"
)

// Every path of a configuration begins at the folder of the file, wherever the
// program is started; what is absolute or names no file stays as it is.
func TestPathsBeginAtTheFile(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "mill.yaml")
	if err := os.WriteFile(file, configs.Demo(), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	const at = "lines.0.controller."
	opc := map[string]string{at + "protocol": "opcua", at + "address": "opc.tcp://192.0.2.10:4840", at + "opcua.user_certificate": "u.crt", at + "opcua.user_key": "keys/u.key"}
	named := map[string]string{at + "protocol": "opcua", at + "address": "opc.tcp://192.0.2.10:4840", at + "opcua.user": "line", at + "opcua.password": "file:word"}
	for _, c := range []struct {
		set  map[string]string
		get  func(*config.Snapshot) string
		want string
	}{
		{nil, func(s *config.Snapshot) string { return s.Journal.Path("north") }, filepath.Join(dir, "journal", "north.db")},
		{nil, (*config.Snapshot).Socket, filepath.Join(dir, "journal", "control.sock")},
		{map[string]string{"journal.directory": "../j"}, (*config.Snapshot).Socket, filepath.Join(filepath.Dir(dir), "j", "control.sock")},
		{map[string]string{"journal.directory": "/var/j"}, (*config.Snapshot).Socket, "/var/j/control.sock"},
		{map[string]string{"control.socket": "run/c.sock"}, (*config.Snapshot).Socket, filepath.Join(dir, "run", "c.sock")},
		{map[string]string{"control.socket": "none"}, (*config.Snapshot).Socket, ""},
		{map[string]string{"lines.0.orders.directory": "orders"}, func(s *config.Snapshot) string { return s.Lines[0].Orders.Directory }, filepath.Join(dir, "orders")},
		{nil, func(s *config.Snapshot) string { return s.Lines[0].Orders.Directory }, "none"},
		{opc, func(s *config.Snapshot) string { return s.Lines[0].Controller.OPCUA.Certificates }, filepath.Join(dir, "pki")},
		{opc, func(s *config.Snapshot) string { return s.Lines[0].Controller.OPCUA.UserCertificate }, filepath.Join(dir, "u.crt")},
		{opc, func(s *config.Snapshot) string { return s.Lines[0].Controller.OPCUA.UserKey }, filepath.Join(dir, "keys", "u.key")},
		{named, func(s *config.Snapshot) string { return s.Lines[0].Controller.OPCUA.Password }, "file:" + filepath.Join(dir, "word")},
		{map[string]string{at + "opcua.password": "env:WORD", at + "opcua.user": "line", at + "protocol": "opcua", at + "address": "opc.tcp://192.0.2.10:4840"},
			func(s *config.Snapshot) string { return s.Lines[0].Controller.OPCUA.Password }, "env:WORD"},
	} {
		s, err := config.Load(config.Source{Path: file, Set: c.set})
		if err != nil {
			t.Fatal(err)
		}
		if got := c.get(s); got != c.want {
			t.Errorf("with %v: got %s, want %s", c.set, got, c.want)
		}
	}
	// A file that is not there is named by the path that was looked at.
	_, err := config.Load(config.Source{Path: file, Set: map[string]string{at + "protocol": "modbus-tls", at + "tls.authorities": "ca.pem", at + "tls.certificate": "c.pem", at + "tls.key": "c.key"}})
	if want := filepath.Join(dir, "ca.pem"); err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("got %v, want %s in it", err, want)
	}
}

// A configuration says the same wherever its file stands.
func TestHashDoesNotHoldTheFolder(t *testing.T) {
	here := load(t, config.Source{Path: "mill.yaml", Bytes: configs.Demo()})
	there := load(t, config.Source{Path: "/etc/lapgate/mill.yaml", Bytes: configs.Demo()})
	if here.Hash != there.Hash {
		t.Errorf("%08x and %08x", here.Hash, there.Hash)
	}
	if v := effective(t, there, "journal.directory"); v.Value != "journal" {
		t.Errorf("journal.directory is shown as %s, not as it was written", v.Value)
	}
}

// In the trade a core is called by its bore.
func TestThreeInchCore(t *testing.T) {
	const inch, play = 0.0254, 1e-9
	for _, text := range [][]byte{configs.Reference(), configs.Demo()} {
		s := load(t, config.Source{Bytes: text})
		for _, c := range s.Materials.Cores {
			if bore := c.Bore(); c.Name == "three-inch" && (bore < 3*inch-play || bore > 3*inch+play) {
				t.Errorf("core %s has a bore of %g mm", c.Name, bore*1000)
			}
		}
	}
}
