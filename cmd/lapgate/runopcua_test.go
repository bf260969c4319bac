package main

import (
	"bytes"
	"context"
	"encoding/json"
	"lapgate/gateway/journal"
	"lapgate/gateway/rehearse"
	"lapgate/gateway/replay/replaytest"
	"lapgate/sim"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// TestRunOverOPCUA has the real daemon wrap a short shift on the real
// simulator: encrypted, with a user name, from a configuration file, after its
// certificate was compared and accepted.
func TestRunOverOPCUA(t *testing.T) {
	t.Parallel()
	exe := binary(t)
	dir := t.TempDir()
	ctx := t.Context()
	const password = "tiger-of-the-mill"
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	line, addresses := startSimServers(ctx, t, exe, []string{"modbus-tcp", "opcua"},
		"--config", demoPath(t), "--rolls", "3", "--opcua", "127.0.0.1:0", "--opcua-users", write("users", "gateway:"+password+"\n"))
	address := addresses[1]

	section := regexp.MustCompile(`(?m)^      protocol: modbus-tcp\n      address: .*\n      plain: .*\n`)
	demo := patientDemo(t)
	if !section.MatchString(demo) {
		t.Fatal("the controller of the demo is not where it was")
	}
	file := write("mill.yaml", section.ReplaceAllLiteralString(demo, `      protocol: opcua
      address: `+address+`
      opcua:
        policy: Basic256Sha256
        mode: SignAndEncrypt
        certificates: `+filepath.Join(dir, "pki")+`
        user: gateway
        password: file:`+write("secret", password+"\n")+`
        nodes: {commit: s=north.Commit, outcomes: north.Outcome.*}
`))
	lapgate := func(args ...string) string {
		t.Helper()
		var stdout, stderr bytes.Buffer
		if code := run(args, nil, nil, &stdout, &stderr); code != exitDone {
			t.Fatalf("%v ended with %d: %s", args, code, stderr.String())
		}
		return stdout.String()
	}
	if values := lapgate("config", "--csv", "--config", file); !regexp.MustCompile(`opcua\.password,\*\*\*,`).MatchString(values) {
		t.Errorf("the password's place is shown:\n%s", values)
	}
	offered := certificatesOf(t, lapgate("trust", "show", address, "--json"))
	if len(offered) != 1 {
		t.Fatalf("%d certificates", len(offered))
	}
	lapgate("trust", "accept", address, "--config", file, "--fingerprint", offered[0].Fingerprint)
	if out := lapgate("trust", "list", "--config", file); !strings.Contains(out, offered[0].Fingerprint) {
		t.Errorf("not in the list of the configured folder:\n%s", out)
	}

	var log bytes.Buffer
	daemon := exec.CommandContext(ctx, exe, "run", "--config", file,
		"--set", "journal.directory="+dir, "--set", "status.listen=none")
	daemon.Env, daemon.Stderr = cleanEnv(), &log
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	armForGood(t, filepath.Join(dir, "control.sock"))
	<-line.ended
	if err := daemon.Process.Signal(os.Interrupt); err != nil {
		t.Errorf("%v\n%s", err, log.String())
	}
	if err := daemon.Wait(); err != nil {
		t.Errorf("the daemon ended with %v\n%s", err, log.String())
	}
	if line.err != nil {
		t.Fatalf("the simulator ended with %v: %s\n%s", line.err, line.stderr, log.String())
	}
	if strings.Contains(log.String(), password) {
		t.Error("the log tells the password")
	}
	var report sim.Report
	if err := json.Unmarshal(line.stdout, &report); err != nil {
		t.Fatalf("%v\n%s", err, line.stdout)
	}
	if len(report.Rolls) != 3 || report.Accepted == 0 || len(report.Violations) > 0 {
		t.Errorf("%d rolls, %d accepted, violations %v\n%s", len(report.Rolls), report.Accepted, report.Violations, log.String())
	}
	path := filepath.Join(dir, "north.db")
	verified, err := journal.Verify(context.Background(), path)
	if err != nil || len(verified.Problems) > 0 {
		t.Errorf("journal: %+v, %v", verified, err)
	}
	if replaytest.Same(t, path, replaytest.Configuration{Line: demoSnapshot(t).Lines[0].Recipe}) == 0 {
		t.Error("no round was decided again")
	}
	missing, err := rehearse.Unaccounted(context.Background(), path, &report)
	if err != nil || len(missing) > 0 {
		t.Errorf("missing %v, %v", missing, err)
	}
}
