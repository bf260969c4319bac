package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/inspect"
	"lapgate/gateway/rehearse"
	"lapgate/sim"
	"lapgate/sim/modbus"
)

// runningSim starts the simulator of the demo's line with both servers, and
// returns when the first roll has come.
func runningSim(t *testing.T, change func(*sim.Config)) *sim.Sim {
	t.Helper()
	s, err := config.Load(config.Source{Path: demoName, Bytes: []byte(patientDemo(t))})
	if err != nil {
		t.Fatal(err)
	}
	c, err := rehearse.Line(&s.Lines[0])
	if err != nil {
		t.Fatal(err)
	}
	c.Rolls = c.Shift(1, 2)
	c.Limit = simLimit
	change(&c)
	line, err := sim.New(c)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		_, _ = line.Run(ctx) // ended by the test
		close(ended)
	}()
	t.Cleanup(func() {
		cancel()
		<-ended
		if err := line.Close(); err != nil {
			t.Error(err)
		}
	})
	beat := time.NewTicker(5 * time.Millisecond)
	defer beat.Stop()
	for {
		const rollNo = 19 // its low word
		if words, err := line.Image().Read(c.Bases.Req, rollNo+1); err == nil && words[rollNo] != 0 {
			return line
		}
		<-beat.C
	}
}

// call runs a command of the program.
func call(args ...string) (code int, stdout, stderr string) {
	r := lapgate(args...)
	return r.code, r.out, r.errors
}

func wants(t *testing.T, text string, patterns ...string) {
	t.Helper()
	for _, p := range patterns {
		if !regexp.MustCompile("(?m)" + p).MatchString(text) {
			t.Errorf("no match for %s in\n%s", p, text)
		}
	}
}

func demoOnDisk(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "demo.yaml")
	if err := os.WriteFile(path, []byte(patientDemo(t)), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestProbeLine(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	looks := []string{"probe", "--config", demoOnDisk(t)}
	probe := func(args ...string) (int, string, string) {
		return call(append(looks[:len(looks):len(looks)], args...)...)
	}
	security, err := modbus.SecurityIn(dir, "", false, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	secured := runningSim(t, func(c *sim.Config) { c.Modbus.TLS = security })
	file := func(name string) string { return filepath.Join(dir, name) }
	code, out, errs := probe("--set", "lines.0.controller.protocol=modbus-tls",
		"--set", "lines.0.controller.plain=false", "--set", "lines.0.controller.address="+secured.ModbusAddr(),
		"--set", "lines.0.controller.tls.authorities="+file(modbus.AuthorityFile), "--set", "lines.0.controller.tls.certificate="+file(modbus.GatewayFile),
		"--set", "lines.0.controller.tls.key="+file(modbus.GatewayKeyFile), "--values")
	if code != exitDone || errs != "" {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	wants(t, out, `^protocol +modbus-tls$`, `^address +127\.0\.0\.1:\d+$`, `^connected in +[\d.]+ ms$`, `^a read takes +[\d.]+ ms \(`,
		`^REQ +1000\.\.1095 \(41001\.\.41096\) +decodes$`, `^ +start 1, phase `, `^REQ +22 +roll tag +M01-41001$`, `^REQ +30 +diameter +[\d.]+ in$`,
		`^PAYLOAD +4030\.\.4109 \(44031\.\.44110\) +empty$`)
	code, out, _ = probe("--set", "lines.0.controller.address="+runningSim(t, func(*sim.Config) {}).ModbusAddr(), "--csv")
	wants(t, out, `^block,where,state$`, `^REQ,1000\.\.1095 \(41001\.\.41096\),decodes$`)
	if code != exitDone {
		t.Errorf("exit code %d", code)
	}

	plain := runningSim(t, func(*sim.Config) {})
	code, out, errs = probe("--set", "lines.0.controller.address="+plain.ModbusAddr(),
		"--set", "lines.0.controller.modbus.registers=input", "--json")
	if code != exitDone || errs != "" {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	var report struct {
		Line   string
		Blocks []inspect.Block
		Fields []struct {
			Block, Field string
			Value        any
		}
	}
	if err := json.Unmarshal([]byte(out), &report); err != nil || report.Line != "north" || len(report.Blocks) != 7 || report.Blocks[6].Block != "LIMITS" || report.Blocks[6].State != inspect.BlockDecodes {
		t.Fatalf("%v: %s", err, out)
	}
	if b := report.Blocks[0]; b.Block != "REQ" || b.State != inspect.BlockDecodes || b.Where != "1000..1095 (31001..31096)" {
		t.Errorf("got %+v", b)
	}
	values := map[string]any{}
	for _, f := range report.Fields {
		values[f.Block+" "+f.Field] = f.Value
	}
	if d, _ := values["REQ diameter_m"].(float64); values["REQ roll_no"] != 1.0 || !(d > 0.5 && d < 2) {
		t.Errorf("got %v", values)
	}
	// Where the blocks are looked for in the wrong place, the device answers.
	code, _, errs = probe("--set", "lines.0.controller.address="+plain.ModbusAddr(),
		"--set", "lines.0.controller.bases.request=100")
	if code != exitDifferences {
		t.Errorf("wrong base: exit code %d, %s", code, errs)
	}
	wants(t, errs, `block REQ`, `check the base address`)
}

func TestProbeModbus(t *testing.T) {
	t.Parallel()
	s := runningSim(t, func(*sim.Config) {})
	var stdout, stderr bytes.Buffer // of a wide terminal
	code := run([]string{"probe", "modbus", "--timeout", "30s", s.ModbusAddr(), "--address", "1000", "--count", "30"}, []string{"COLUMNS=250"}, nil, &stdout, &stderr)
	out, errs := stdout.String(), stderr.String()
	if code != exitDone || errs != "" {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	wants(t, out, `^unit +1$`, `^registers +holding$`, `^first address +1000$`, `^in the other notation +41001$`, `^count +30$`, `^round trip +[\d.]+ ms \(`,
		`^ +1000 +41001 +5251 +21073 +21073 +RQ`, `^text, high byte first: "M01-41001"`, `^ +1000 +41001,41002 .*`, `ABCD float32 .*DCBA uint32`)
	if code, out, _ = call("probe", "modbus", "--timeout", "30s", s.ModbusAddr(), "--address", "1000", "--count", "2", "--csv"); code != exitDone {
		t.Errorf("exit code %d", code)
	}
	wants(t, out, `^address,register,hex,uint16,int16,text,changes$`, `^1000,41001,5251,21073,21073,RQ,no$`)
	code, _, errs = call("probe", "modbus", "--timeout", "30s", s.ModbusAddr(), "--address", "3700", "--count", "200", "--registers", "input",
		"--order", "CDAB", "--float", "--json")
	if code != exitDifferences { // behind OUT is nothing
		t.Fatalf("exit code %d: %s", code, errs)
	}
	wants(t, errs, `reading registers 3700 to 3824`, `register 33701 in the other notation is address 3700`)
	code, out, errs = call("probe", "modbus", "--timeout", "30s", s.ModbusAddr(), "--address", "1200", "--count", "400", "--json", "--repeat", "1")
	var report struct {
		Words     []inspect.Word
		Pairs     []struct{ Readings map[string]map[string]string }
		RoundTrip []float64 `json:"round_trip_s"`
	}
	if code != exitDone || json.Unmarshal([]byte(out), &report) != nil || len(report.Words) != 400 || len(report.Pairs) != 200 || len(report.Pairs[0].Readings["DCBA"]) != 3 || len(report.RoundTrip) != 4 {
		t.Errorf("exit code %d: %s, %d words, %d pairs, %d requests", code, errs, len(report.Words), len(report.Pairs), len(report.RoundTrip))
	}
	if code, _, errs = call("probe", "modbus", "--timeout", "30s", s.ModbusAddr(), "--unit", "9"); code != exitDifferences {
		t.Errorf("another unit: exit code %d, %s", code, errs)
	}
}

func TestProbeOPCUA(t *testing.T) {
	t.Parallel()
	s := runningSim(t, func(c *sim.Config) {
		c.OPCUA.Addr, c.OPCUA.Line, c.OPCUA.Plain, c.OPCUA.Anonymous = "127.0.0.1:0", "north", true, true
	})
	url := s.OPCUA().URL()
	folder := filepath.Join(t.TempDir(), "pki")
	code, out, errs := call("probe", "opcua", "--timeout", "30s", url, "--offers")
	if code != exitDone || errs != "" {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	wants(t, out, `Basic256Sha256 +SignAndEncrypt +anonymous`)

	code, out, errs = call("probe", "opcua", "--timeout", "30s", url, "--policy", "None", "--mode", "None", "--browse", "--node", "ns=2;s=north.Payload")
	if code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	wants(t, errs, `NO SECURITY`)
	wants(t, out, `^ +MaxNodesPerRead +\d+ +yes`, `^ +2 +urn:lapgate:line`, `^ +round trip +[\d.]+ ms`,
		`^ +\d +Request +Variable +ns=2;s=north\.Request`, `^ns=2;s=north\.Request .*UInt16\[96\] +read .*\[21073 2 .*\(96\)\] `,
		`^ns=2;s=north\.Payload .*UInt16\[80\] +read, write`)
	_, out, _ = call("probe", "opcua", "--timeout", "30s", url, "--policy", "None", "--mode", "None", "--node", "ns=2;s=north.Request", "--csv")
	wants(t, out, `^id,name,class,type,`, `^ns=2;s=north\.Request,Request,Variable,UInt16\[96\],read,.*,Good,20\S+T\S+,20\S+T\S+$`)
	code, out, _ = call("probe", "opcua", "--timeout", "30s", url, "--policy", "None", "--mode", "None", "--browse", "--most", "3")
	if code != exitDone {
		t.Errorf("exit code %d", code)
	}
	wants(t, out, `there is more; raise --depth or --most`)
	code, out, errs = call("probe", "opcua", "--timeout", "30s", url, "--policy", "None", "--mode", "None", "--node", "ns=2;s=south.Request", "--node", "i=2258")
	if code != exitDifferences {
		t.Errorf("missing node: exit code %d, %s", code, errs)
	}
	wants(t, out, `^ns=2;s=south\.Request +-`, `^ +.*BadNodeIDUnknown`, `^i=2258 .* +read `)
	// Nothing is trusted that was not accepted.
	if code, _, errs = call("probe", "opcua", "--timeout", "30s", url, "--folder", folder); code != exitDifferences {
		t.Errorf("exit code %d, %s", code, errs)
	}
	wants(t, errs, `is not trusted`, `lapgate trust accept`)

	// A user logs in by name, and the server must be the one that is meant.
	if code, _, errs = call("probe", "opcua", "--timeout", "30s", url, "--user", "line", "--password", "env:NOWHERE"); code != exitUsage {
		t.Errorf("exit code %d, %s", code, errs)
	}
	wants(t, errs, `--password: secret: the environment has no variable NOWHERE`)
	if code, _, errs = call("probe", "opcua", "--timeout", "30s", url, "--policy", "None", "--mode", "None", "--user", "line"); code != exitDifferences {
		t.Errorf("exit code %d, %s", code, errs)
	}
	wants(t, errs, `anonymous`)
	code, out, errs = call("trust", "show", url, "--json")
	var shown struct{ Fingerprint string }
	if err := json.Unmarshal([]byte(out), &shown); err != nil || code != exitDone {
		t.Fatalf("exit code %d, %v: %s%s", code, err, out, errs)
	}
	if code, _, errs = call("trust", "accept", url, "--folder", folder, "--fingerprint", shown.Fingerprint); code != exitDone {
		t.Errorf("exit code %d, %s", code, errs)
	}
	if code, out, errs = call("probe", "opcua", "--timeout", "30s", url, "--folder", folder, "--json"); code != exitDone {
		t.Errorf("exit code %d, %s", code, errs)
	}
	wants(t, out, `"state": "Running"`)
	if code, _, errs = call("probe", "opcua", "--timeout", "30s", url, "--folder", folder, "--server-name", "other.mill.test"); code != exitDifferences {
		t.Errorf("exit code %d, %s", code, errs)
	}
	wants(t, errs, `want other\.mill\.test`)
}

// A block is watched by name, as text and as JSON, and only so often.
func TestProbeWatch(t *testing.T) {
	t.Parallel()
	args := []string{"probe", "--config", demoOnDisk(t), "--set", "lines.0.controller.address=" + runningSim(t, func(*sim.Config) {}).ModbusAddr(), "--watch", "REQ"}
	code, out, errs := call(append(args, "--looks", "3")...)
	if code != exitDone || errs != "" {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	wants(t, out, `REQ +- +state +decodes`, `REQ +14 +phase +1 +await`, `REQ +\* +5 +tick +[\d.]+ s`)
	code, out, _ = call(append(args, "--looks", "1", "--json")...)
	if code != exitDone || strings.Count(out, "\n") < 40 {
		t.Errorf("exit code %d: %s", code, out)
	}
	wants(t, out, `"block":"REQ","changed":false,"register":30,"field":"diameter_m","value":[\d.]+`)
	for flags, want := range map[string]string{"--csv": "--csv go without it", "--looks=-1": "want 0 or more"} {
		if code, _, errs := call(append(args, flags)...); code != exitUsage || !strings.Contains(errs, want) {
			t.Errorf("%s: exit code %d: %s", flags, code, errs)
		}
	}
}

// TestProbeUnreachable holds the exit code of a device that is not there.
func TestProbeUnreachable(t *testing.T) {
	address := deadAddress()
	for _, args := range [][]string{
		{"probe", "modbus", address},
		{"probe", "opcua", "opc.tcp://" + address},
		{"probe", "--config", demoOnDisk(t), "--set", "lines.0.controller.address=" + address},
	} {
		if code, _, errs := call(args...); code != exitUnreachable || !strings.Contains(errs, "nothing listens at") {
			t.Errorf("%v: exit code %d, %s", args, code, errs)
		}
	}
}
