package connect

import (
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"lapgate/configs"
	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link/opcua"
)

// opcuaLine loads the configuration of the demo with its controller at an OPC
// UA server, and the values given.
func opcuaLine(set map[string]string) (*config.Line, error) {
	const at = "lines.0.controller."
	all := map[string]string{at + "protocol": "opcua", at + "address": "opc.tcp://192.0.2.10:4840", at + "plain": "false"}
	for k, v := range set {
		all[at+k] = v
	}
	s, err := config.Load(config.Source{Path: "demo.yaml", Bytes: configs.Demo(), Set: all})
	if err != nil {
		return nil, err
	}
	return &s.Lines[0], nil
}

func noVariable(string) (string, bool) { return "", false }

// The defaults of the configuration are those of the link.
func TestOPCUADefaults(t *testing.T) {
	l, err := opcuaLine(nil)
	if err != nil {
		t.Fatal(err)
	}
	got, want := Server(l), opcua.DefaultSettings()
	if got.Endpoint != "opc.tcp://192.0.2.10:4840" || got.Line != "north" || len(got.Nodes) > 0 {
		t.Errorf("%+v", got)
	}
	got.Endpoint, got.Line, got.Nodes = "", "", nil
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

func TestOPCUASettings(t *testing.T) {
	l, err := opcuaLine(map[string]string{
		"opcua.policy": "Aes128_Sha256_RsaOaep", "opcua.mode": "Sign", "opcua.certificates": "keys", "opcua.server_name": "plc.mill.test",
		"opcua.namespace": "urn:mill.test", "opcua.skew_limit": "30 s", "times.request_timeout": "600 ms",
		"opcua.nodes.request": "i=1", "opcua.nodes.outcomes": "Out*", "opcua.nodes.heartbeat": "g=72962B91-FA75-4AE6-8D28-B404DC7DAF63",
		"opcua.nodes.hello": "b=AAEC", "opcua.nodes.payload": "s=Pay", "opcua.nodes.commit": "Go", "opcua.nodes.ack": "Yes",
	})
	if err != nil {
		t.Fatal(err)
	}
	got := Server(l)
	want := opcua.Settings{
		Endpoint: "opc.tcp://192.0.2.10:4840", Line: "north", Policy: opcua.PolicyAes128Sha256RsaOaep, Mode: opcua.ModeSign,
		Folder: "keys", ServerName: "plc.mill.test", NamespaceURI: "urn:mill.test", SkewLimit: 30 * time.Second, Timeout: 600 * time.Millisecond,
		Nodes: map[handshake.ID]string{
			handshake.REQ: "i=1", handshake.OUT: "Out*", handshake.HEARTBEAT: "g=72962B91-FA75-4AE6-8D28-B404DC7DAF63",
			handshake.HELLO: "b=AAEC", handshake.PAYLOAD: "s=Pay", handshake.COMMIT: "Go", handshake.ACK: "Yes",
		},
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

// Whatever the check of a configuration passes, the link takes.
func TestOPCUACheckedIsTaken(t *testing.T) {
	pki := filepath.Join(t.TempDir(), "pki")
	values := map[string][]string{
		"address": {"opc.tcp://h:4840", "opc.tcp://[2001:db8::1]:4840/line", "opc.tcp://h:0", "opc.tcp://h:65536", "opc.tcp://h", "h:4840",
			"opc.tcp:h:4840", "OPC.TCP://h:1", "opc.tcp://u@h:1", "opc.tcp://h:1#a", "opc.tcp://h:x", "opc.tcp:///h:1", "opc.tcp://%zz:1"},
		"plain":                  {"true", "false"},
		"opcua.policy":           {"None", "Basic256Sha256", "Aes128_Sha256_RsaOaep", "Aes256_Sha256_RsaPss", "Basic256"},
		"opcua.mode":             {"None", "Sign", "SignAndEncrypt"},
		"opcua.namespace":        {"urn:lapgate:line", "x"},
		"opcua.user":             {"gateway"},
		"opcua.skew_limit":       {"0.1 s", "1 h", "0 s"},
		"opcua.nodes.request":    {"Request", "i=", "i=x", "i=-1", "i=4294967295", "i=4294967296", "g=1", "b=AA==", "b=A", "s=", "=", "x=1", "ns=1;i=1"},
		"opcua.nodes.outcomes":   {"Out", "Out*", "**", "i=1*", "i=42949672*", "i=4294967*", "b=A*A=", "b=A*", "*"},
		"opcua.nodes.hello":      {"g=72962B91-FA75-4AE6-8D28-B404DC7DAF63", "g=72962B91-FA75-4AE6-8D28-B404DC7DAF6", "g=72962B91FA754AE68D28B404DC7DAF63", "g={72962B91-FA75-4AE6-8D28-B404DC7DAF63}"},
		"opcua.nodes.ack":        {"Request", "i=4294967295", "i=1"},
		"opcua.nodes.commit":     {opcua.NodeName("north", handshake.COMMIT, 0), opcua.NodeName("north", handshake.ACK, 0)},
		"opcua.user_certificate": {"user.crt"},
	}
	keys := slices.Sorted(maps.Keys(values))
	taken := 0
	rapid.Check(t, func(t *rapid.T) {
		set := map[string]string{"opcua.certificates": pki}
		// A few at a time: with many, one of them is nearly always refused.
		for _, k := range rapid.SliceOfNDistinct(rapid.SampledFrom(keys), 1, 3, rapid.ID[string]).Draw(t, "keys") {
			set[k] = rapid.SampledFrom(values[k]).Draw(t, k)
		}
		l, err := opcuaLine(set)
		if err != nil {
			return
		}
		taken++
		s := Server(l)
		s.User.Name = l.Controller.OPCUA.User
		if _, err := opcua.New(s); err != nil {
			t.Fatalf("%v passes the check, and the link refuses it: %v", set, err)
		}
	})
	if taken == 0 {
		t.Error("no configuration passed the check")
	}
}

// The names of nodes that the check knows are those of the link: a block set
// to the name of another is refused.
func TestOPCUANodeNames(t *testing.T) {
	keys := map[handshake.ID]string{
		handshake.REQ: "request", handshake.HEARTBEAT: "heartbeat", handshake.HELLO: "hello", handshake.PAYLOAD: "payload", handshake.COMMIT: "commit", handshake.ACK: "ack", handshake.LIMITS: "limits",
	}
	for _, id := range handshake.IDs() {
		name, key := opcua.NodeName("north", id, 0), "commit"
		switch id {
		case handshake.OUT:
			continue
		case handshake.COMMIT:
			key = "ack"
		}
		_, err := opcuaLine(map[string]string{"opcua.nodes." + key: name})
		if err == nil || !strings.Contains(err.Error(), "node used twice") {
			t.Errorf("%s at %s, the node of %s: %v", key, name, keys[id], err)
		}
		if _, err := opcuaLine(map[string]string{"opcua.nodes." + keys[id]: name}); err != nil {
			t.Errorf("%s at its own node: %v", keys[id], err)
		}
	}
}

func TestOPCUAUser(t *testing.T) {
	dir := t.TempDir()
	file := func(name string, mode os.FileMode) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte("tiger\n"), mode); err != nil {
			t.Fatal(err)
		}
		return path
	}
	lookup := func(name string) (string, bool) { return "lion", name == "LINE_SECRET" }
	for _, c := range []struct {
		name     string
		conf     config.OPCUAServer
		password opcua.Secret
		want     []string // in the error
	}{
		{"nobody", config.OPCUAServer{}, "", nil},
		{"file", config.OPCUAServer{User: "gate", Password: "file:" + file("good", 0o600)}, "tiger", nil},
		{"variable", config.OPCUAServer{User: "gate", Password: "env:LINE_SECRET"}, "lion", nil},
		{"open file", config.OPCUAServer{User: "gate", Password: "file:" + file("open", 0o644)}, "", []string{"0600 or stricter"}},
		{"no variable", config.OPCUAServer{User: "gate", Password: "env:LINE"}, "", []string{"password: ", "no variable LINE"}},
		{"no files", config.OPCUAServer{UserCertificate: filepath.Join(dir, "user.crt"), UserKey: filepath.Join(dir, "user.key"), Password: "env:LINE"}, "",
			[]string{"user certificate: ", "user.crt", "no variable LINE"}},
	} {
		user, err := opcuaUser(&c.conf, lookup)
		if string(user.Password) != string(c.password) || user.Name != c.conf.User {
			t.Errorf("%s: got user %q", c.name, user.Name)
		}
		if (err != nil) != (c.want != nil) {
			t.Errorf("%s: %v", c.name, err)
		}
		for _, w := range c.want {
			if err == nil || !strings.Contains(err.Error(), w) || strings.Contains(err.Error(), "tiger") {
				t.Errorf("%s: %v, want %q in it", c.name, err, w)
			}
		}
	}
	l, err := opcuaLine(map[string]string{"opcua.user": "gate", "opcua.password": "env:LINE", "opcua.certificates": filepath.Join(dir, "pki")})
	if err != nil {
		t.Fatal(err)
	}
	d := Dialers{Lookup: noVariable}
	if _, err := d.Of(l, nil); err == nil || !strings.Contains(err.Error(), "controller.opcua: password: ") {
		t.Errorf("a dialer without its password: %v", err)
	}
}
