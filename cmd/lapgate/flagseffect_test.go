package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/cobra"

	"lapgate/configs"
	"lapgate/gateway/alarm"
	"lapgate/gateway/config"
	"lapgate/gateway/control"
	"lapgate/gateway/handshake"
	"lapgate/gateway/status"
	"lapgate/sim"
)

// effects says for one command how each of its flags is shown to change what
// the command does.
type effects struct {
	command string
	// base is a call of the command, without the words of the command itself.
	base string
	// with are arguments that are added to the base, by flag: what comes out
	// must differ. Where they begin with "|" they are a base of their own and
	// what is added to it, parted by another "|".
	with map[string]string
	// shown names the script (as "demo.txtar") or the test that shows the
	// effect of a flag that needs a process or a peer of its own.
	shown map[string]string
}

const (
	deadLine = " --set lines.0.controller.address=127.0.0.1:1"
	slower   = " --set lines.0.wrap.speed=100mm/s"
	oneRoll  = "--diameter 50in --width 62in --grade 1 --core 1"
	byKim    = " --by kim --reason go"
	noEngine = " --set engine.address=/nowhere --set engine.machine=a"
)

// source are the flags of a configuration for a command whose base names
// demo.yaml.
func source(more map[string]string) map[string]string {
	out := map[string]string{"config": "--config other.yaml", "set": "--set lines.0.name=south"}
	for k, v := range more {
		out[k] = v
	}
	return out
}

// toDaemon are the flags of a command to the daemon. Its reply repeats what it
// was asked.
func toDaemon(more map[string]string) map[string]string {
	out := map[string]string{"config": "--config other.yaml", "set": "--set log.level=debug", "socket": "--socket other.sock", "timeout": "--timeout 1ns"}
	for k, v := range more {
		out[k] = v
	}
	return out
}

func allEffects() []effects {
	person := func(more map[string]string) map[string]string {
		out := map[string]string{"line": "--line south", "by": "--by lee", "reason": "--reason stop"}
		for k, v := range more {
			out[k] = v
		}
		return toDaemon(out)
	}
	there := map[string]string{"engine": "TestEngineTellsWhatTheFileTells", "mill": "TestEngineTellsOfBothMachines", "machine": "TestEngineTellsOfBothMachines"}
	return []effects{
		{"", "", map[string]string{"version": "--version"}, nil},
		{"run", "--config broken.yaml", map[string]string{"config": "--config nowhere.yaml", "set": "--set lines.0.unit=3"}, nil},
		{"arm", "--config demo.yaml" + byKim, person(map[string]string{"keep": "--keep", "for": "--for 2h", "rolls": "--rolls 5", "pair": "--pair"}), nil},
		{"pair", "--config demo.yaml", toDaemon(map[string]string{"line": "--line south", "json": "--json", "csv": "--csv"}), nil},
		{"takeover", "--config demo.yaml" + byKim, person(map[string]string{"although-alive": "--although-alive"}), nil},
		{"disarm", "--config demo.yaml" + byKim, person(nil), nil},
		{"hold", "--config demo.yaml" + byKim, person(map[string]string{"off": "--off"}), nil},
		{"alarms", "--config demo.yaml", toDaemon(map[string]string{"line": "--line south", "json": "--json", "csv": "--csv"}), nil},
		{"alarms ack", "link-down --config demo.yaml --by kim", toDaemon(map[string]string{"line": "--line south", "by": "--by lee"}), nil},
		{"alarms shelve", "link-down --config demo.yaml" + byKim, person(map[string]string{"end": "--end 13:30"}), nil},
		{"alarms unshelve", "link-down --config demo.yaml --by kim", toDaemon(map[string]string{"line": "--line south", "by": "--by lee"}), nil},
		{"alarms out-of-service", "link-down --config demo.yaml" + byKim, person(nil), nil},
		{"alarms in-service", "link-down --config demo.yaml --by kim", toDaemon(map[string]string{"line": "--line south", "by": "--by lee"}), nil},
		{"restart", "--config demo.yaml" + byKim, person(nil), nil},
		{"status", "--config demo.yaml", toDaemon(map[string]string{"line": "--line south", "json": "--json", "csv": "--csv"}), map[string]string{"watch": "TestStatusWatches"}},
		{"why", "2 north.db --config demo.yaml", map[string]string{
			"config": "--config other.yaml", "set": "--set units.length=mm", "line": "--line south", "json": "--json", "csv": "--csv",
		}, there},
		{"reload", "--config demo.yaml", toDaemon(map[string]string{"by": "--by lee", "previous": "--previous"}), map[string]string{"yes": "TestReloadAsksPerson"}},
		{"confirm", "--config demo.yaml --yes --finding narrow-roll --roll 8 --by kim", toDaemon(map[string]string{
			"line": "--line south", "roll": "--roll 9", "finding": "--finding scan-ovality", "by": "--by ola", "yes": "--yes=false",
		}), nil},
		{"override", "--config demo.yaml --yes --value layers=4" + byKim, person(map[string]string{
			"roll": "--roll 9", "value": "--value header_dwell=12s", "yes": "--yes=false",
		}), nil},
		{"hang", "--config demo.yaml --yes --slot 2 --width 36in --paper kraft-poly --by kim", toDaemon(map[string]string{
			"line": "--line south", "slot": "--slot 3", "width": "--width 42in", "paper": "--paper kraft", "outer": "--outer 1m", "length": "--length 900m",
			"empty": "--empty", "out-of-service": "--out-of-service", "correct": "--correct 4", "by": "--by ola", "yes": "--yes=false",
		}), nil},
		{"stock", "--config demo.yaml --yes --material board-poly --size 48in --left 80 --by kim", toDaemon(map[string]string{
			"line": "--line south", "material": "--material inner-board", "size": "--size 46in", "left": "--left 90", "by": "--by ola", "yes": "--yes=false",
		}), nil},
		{"station", "header manual --config demo.yaml --yes" + byKim, person(map[string]string{
			"until": "--until 2999-01-01", "yes": "--yes=false",
		}), nil},
		{"recipe", "--config demo.yaml " + oneRoll, source(map[string]string{
			"set": slower, "line": "--line south", "json": "--json", "csv": "--csv", "explain": "--explain", "outer": "--outer 80mm", "tag": "--tag R-9",
			"diameter": "--diameter 40in", "width": "--width 57in", "diameter-uncertainty": "--diameter-uncertainty 3mm",
			"width-uncertainty": "--width-uncertainty 3mm", "grade": "--grade 2", "core": "--core 2", "spec": "--spec light",
			"platen": "--platen 170°C", "platen-hot": "--platen 170°C --platen-hot 176°C",
		}), nil},
		{"widths", "--config demo.yaml week.csv --candidates 33in,62in", source(map[string]string{
			"set": "--set lines.0.name=south", "line": "--line south", "json": "--json", "csv": "--csv", "slots": "--slots 2", "keep-slots": "--keep-slots all",
			"candidates": "--candidates 60in", "step": "|--config demo.yaml week.csv|--step 20in", "spec": "|--config demo.yaml plain.csv --candidates 60in|--spec light",
			"paper-price": "--paper-price 0.35/m2", "changeover-cost": "--changeover-cost 7", "overhang-weight": "--overhang-weight 3/in",
			"diameter-uncertainty": "--diameter-uncertainty 200mm", "width-uncertainty": "--width-uncertainty 30mm", "rows": "--rows", "svg": "--svg week.svg", "effort": "--effort -1",
			"since": "--since yesterday", "until": "--until today",
		}), there},
		{"rate", "--config demo.yaml week.csv", source(map[string]string{
			"set": "--set lines.0.name=south", "line": "--line south", "json": "--json", "csv": "--csv", "outer": "--outer 400mm", "best-widths": "--best-widths", "candidates": "--candidates 62in",
			"spec": "|--config demo.yaml plain.csv|--spec light", "paper-price": "--paper-price 1.20/kg", "diameter-uncertainty": "--diameter-uncertainty 200mm",
			"width-uncertainty": "--width-uncertainty 30mm", "svg": "--svg rate.svg", "report": "--report sheet.html",
		}), nil},
		{"replay", "north.db --config demo.yaml" + slower, source(map[string]string{
			"set": "--set specs.0.layers=2", "old": "--old demo.yaml", "line": "--line south", "show": "--show 0", "json": "--json", "csv": "--csv", "notice": "--notice",
			"outer": "|rolls.csv --config demo.yaml --old demo.yaml" + slower + "|--outer 80mm",
		}), there},
		{"calibrate", "--bond curve.csv --config demo.yaml --by kim", source(map[string]string{
			"config": "--config nowhere.yaml", "set": "--set lines.0.header.start_temperature=25°C", "line": "--line south", "json": "--json", "csv": "--csv", "by": "--by lee", "bond": "--bond second.csv",
			"material": "--material inner-board", "platen": "--platen 180°C", "start": "--start 25°C",
			"pressure": "|--bond curve.csv --config demo.yaml --by kim --set lines.0.header.pressure_exponent=0.1|--pressure 20kPa",
		}), there},
		{"compare", "north.db", map[string]string{
			"config": "--config demo.yaml", "set": "|north.db --config demo.yaml|--set units.length=mm", "line": "|north.db --config demo.yaml|--line south",
			"tolerance": "--tolerance overlap=0.1mm", "show": "--show 0", "svg": "--svg north.svg", "json": "--json", "csv": "--csv",
			"since": "--since 2099-01-01", "until": "--until 2000-01-01",
		}, there},
		{"probe", "--config demo.yaml" + deadLine, map[string]string{
			"config": "--config nowhere.yaml", "set": "--set lines.0.controller.address=127.0.0.1:2", "line": "--line south",
			"watch": "--watch NOTHING", "looks": "--looks 3",
		}, map[string]string{"values": "TestProbeLine", "json": "TestProbeLine", "csv": "TestProbeLine"}},
		{"conform", "--config demo.yaml --by kim" + deadLine, map[string]string{
			"config": "--config nowhere.yaml", "set": "--set lines.0.controller.address=127.0.0.1:2", "line": "--line south", "by": "--by=",
			"acts": "--acts nobody", "case": "--case nothing", "list": "--list",
		}, map[string]string{"accept-recipes": "TestConform", "journal": "TestConform", "html": "TestConform", "json": "TestConform", "csv": "TestConform"}},
		{"probe modbus", "127.0.0.1:1", map[string]string{
			"count": "--count 1001", "repeat": "--repeat 99", "timeout": "--timeout 0s",
		}, map[string]string{
			"address": "TestProbeModbus", "unit": "TestProbeModbus", "registers": "TestProbeModbus", "order": "TestProbeModbus", "float": "TestProbeModbus", "json": "TestProbeModbus", "csv": "TestProbeModbus",
		}},
		{"probe scan", "127.0.0.1:1 --yes", map[string]string{
			"unit-ids": "--unit-ids 1-2", "bases": "--bases 0-2999", "timeout": "--timeout 0s", "yes": "--yes=false", "json": "--json", "csv": "--csv",
			"bus-is-mine": "|/nowhere/tty --yes|--bus-is-mine", "baud": "--baud 9600", "parity": "--parity none", "stop-bits": "--stop-bits 2",
		}, map[string]string{
			"policy": "TestProbeScanNodes", "mode": "TestProbeScanNodes", "folder": "TestProbeScanNodes", "server-name": "TestProbeScanNodes",
			"user": "TestProbeScanNodes", "password": "TestProbeScanNodes",
		}},
		{"probe opcua", "opc.tcp://127.0.0.1:1", map[string]string{
			"depth": "--depth 0", "most": "--most 0", "from": "--from i=84", "timeout": "--timeout 0s",
		}, map[string]string{
			"password": "TestProbeOPCUA", "policy": "TestProbeOPCUA", "user": "TestProbeOPCUA", "server-name": "TestProbeOPCUA", "json": "TestProbeOPCUA", "csv": "TestProbeOPCUA",
			"browse": "TestProbeOPCUA", "node": "TestProbeOPCUA", "offers": "TestProbeOPCUA", "mode": "TestProbeOPCUA", "folder": "TestProbeOPCUA",
		}},
		{"check", "--config demo.yaml", source(map[string]string{
			"set": slower, "json": "--json", "csv": "--csv", "online": "--online" + deadLine, "line": "|--config demo.yaml --online" + deadLine + "|--line south",
			"timeout": "--timeout 1s",
		}), nil},
		// What they find is of this moment.
		{"doctor", "", nil, map[string]string{
			"config": "doctor.txtar", "set": "doctor.txtar", "json": "doctor.txtar", "csv": "doctor.txtar", "timeout": "doctor.txtar",
		}},
		{"support", "", nil, map[string]string{
			"config": "doctor.txtar", "set": "doctor.txtar", "json": "doctor.txtar", "csv": "doctor.txtar", "timeout": "doctor.txtar",
			"yes": "doctor.txtar", "records": "doctor.txtar", "log": "TestSupportHasNoSecret",
		}},
		{"engine migrate", "--config demo.yaml" + noEngine, source(map[string]string{
			"config": "--config nowhere.yaml", "set": "--set engine.address=/nowhere/else",
		}), map[string]string{"json": "TestEngineCommands", "csv": "TestEngineCommands"}},
		{"engine check", "--config demo.yaml" + noEngine, source(map[string]string{
			"config": "--config nowhere.yaml", "set": "--set engine.address=/nowhere/else", "json": "--json", "csv": "--csv",
		}), nil},
		{"engine accept", "--config demo.yaml --yes" + noEngine, source(map[string]string{
			"config": "--config nowhere.yaml", "set": "--set engine.address=",
		}), map[string]string{"yes": "TestEngineIsAccepted"}},
		{"map", "--config demo.yaml", source(map[string]string{
			"set": "--set lines.0.controller.bases.payload=5000", "config": "--config nowhere.yaml", "line": "--line south", "markdown": "--markdown", "json": "--json", "csv": "--csv", "every-entry": "--every-entry",
		}), nil},
		{"plc", "--config demo.yaml", source(map[string]string{
			"set": "--set lines.0.controller.program.publication=60ms", "config": "--config nowhere.yaml", "line": "--line south", "nodeset": "--nodeset", "second": "--second",
			"texts": "--texts csv", "layout": "--layout csv",
		}), nil},
		{"tags fields", "", map[string]string{"json": "--json", "csv": "--csv"}, nil},
		{"tags import", "tags.csv --config demo.yaml", source(map[string]string{"json": "--json", "csv": "--csv", "line": "--line south", "write": "--write new.yaml"}), nil},
		{"trust list", "--folder pki", map[string]string{
			"folder": "--folder nowhere/pki", "json": "--json", "csv": "--csv", "config": "--config demo.yaml", "set": "--set log.level=debug", "line": "--line north",
		}, nil},
		{"trust own", "--folder pki", map[string]string{
			"folder": "--folder nowhere/pki", "json": "--json", "csv": "--csv", "new": "--new", "config": "--config demo.yaml", "set": "--set log.level=debug", "line": "--line north",
		}, nil},
		{"trust show", "pki/own/certificate.der", map[string]string{"json": "--json", "csv": "--csv", "timeout": "|opc.tcp://127.0.0.1:1|--timeout 1ns"}, nil},
		{"trust accept", "pki/own/certificate.der --folder pki", map[string]string{
			"fingerprint": "--fingerprint 00", "config": "--config demo.yaml", "set": "--set log.level=debug", "line": "--line north",
			"timeout": "|opc.tcp://127.0.0.1:1 --folder pki|--timeout 1ns",
		}, map[string]string{"folder": "TestProbeOPCUA"}},
		{"journal list", "north.db", map[string]string{
			"roll": "--roll 2", "kind": "--kind OUTCOME", "since": "--since 2999-01-01T00:00:00Z", "until": "--until 2000-01-01T00:00:00Z", "newest": "--newest 1",
			"json": "--json", "csv": "--csv", "config": "--config demo.yaml", "set": "|north.db --config demo.yaml|--set units.length=mm", "line": "|north.db --config demo.yaml|--line south",
		}, there},
		{"journal show", "north.db 5", map[string]string{
			"roll": "|north.db|--roll 2", "json": "--json", "csv": "--csv", "config": "--config demo.yaml",
			"set": "|north.db --config demo.yaml --roll 1|--set units.length=mm", "line": "|north.db --config demo.yaml 5|--line south",
		}, there},
		{"journal verify", "north.db", map[string]string{
			"head": "--head 1:00", "json": "--json", "csv": "--csv", "config": "--config demo.yaml", "set": "--set log.level=debug", "line": "--line north",
		}, there},
		{"journal export", "north.db", map[string]string{
			"roll": "--roll 2", "kind": "--kind OUTCOME", "since": "--since 2999-01-01T00:00:00Z", "until": "--until 2000-01-01T00:00:00Z", "output": "--output out.jsonl", "format": "--format csv",
			"config": "|north.db --format csv|--config demo.yaml", "set": "|north.db --format csv --config demo.yaml|--set units.length=mm", "line": "|north.db --format csv --config demo.yaml|--line south",
		}, there},
		{"journal backup", "north.db copy.db", map[string]string{"json": "--json", "csv": "--csv"}, nil},
		{"journal accept", "--config demo.yaml" + byKim, person(nil), nil},
		{"journal register", "--config demo.yaml" + byKim, person(nil), nil},
		{"journal changes", "north.db", map[string]string{
			"since": "--since 2999-01-01T00:00:00Z", "until": "--until 2000-01-01T00:00:00Z", "json": "--json", "csv": "--csv",
		}, nil},
		{"journal correct", "4 --config demo.yaml" + byKim, person(nil), nil},
		{"report", "north.db", map[string]string{
			"since": "--since 2999-01-01T00:00:00Z", "until": "--until 2000-01-01T00:00:00Z", "html": "--html shift.html", "json": "--json", "csv": "--csv",
			"config": "--config demo.yaml", "set": "|north.db --config demo.yaml|--set units.length=mm", "line": "|north.db --config demo.yaml|--line south",
		}, there},
		{"demo", "--transport none", map[string]string{"rolls": "--rolls 0", "speed": "--speed 0", "fault": "--fault help", "quirk": "--quirk help", "process": "--process help"}, map[string]string{
			"spread": "TestSpreadOfThePress", "svg": "process.txtar", "seed": "fault.txtar", "journal": "demo.txtar", "transport": "opcua.txtar", "verbose": "fault.txtar", "json": "fault.txtar", "csv": "demo.txtar",
			"pair": "TestDemoPair", "engine-address": "TestDemoPair",
		}},
		{"sim", "--config demo.yaml bad.csv", map[string]string{
			"config": "--config nowhere.yaml", "set": "--set lines.0.unit=3", "line": "--line south", "rolls": "--rolls 3", "speed": "--speed 0", "fault": "--fault help", "quirk": "--quirk help", "process": "--process help",
			"tls": "--tls half --listen nowhere", "opcua-users": "--opcua-users users", "opcua-plain": "--opcua-plain",
			"opcua-user-certificates": "--opcua-user-certificates x", "opcua-trust": "--opcua-trust x", "listen": "--tls made --listen nowhere",
			"profile": "--profile none", "tags": "--tags tags.csv", "ledger": "|--config demo.yaml --listen nowhere|--ledger nowhere/ledger.json", "word-order": "|--config demo.yaml bad.csv --profile mapped|--word-order ABDC",
		}, map[string]string{"shadow": "TestSimInShadow", "state": "TestSimKeepsCertificate", "renew": "TestSimKeepsCertificate", "seed": "TestShiftFollowsSeed", "spread": "TestSpreadOfThePress", "json": "20-register-dump.sh", "csv": "TestSimStoppedEarlyFails", "opcua": "opcua.txtar"}},
		{"init", "mill.yaml", map[string]string{
			"units": "--units metric", "name": "--name east", "controller": "--controller 127.0.0.1:1", "sizes": "--sizes any", "hanging": "--hanging any",
			"heads": "--heads any", "grades": "--grades any", "cores": "--cores any", "speeds": "--speeds any", "stations": "--stations all",
		}, nil},
		{"accept", "--config demo.yaml plan.csv", map[string]string{
			"config": "--config nowhere.yaml", "set": "--set lines.0.unit=3", "line": "--line south", "draft": "--draft", "roll-list": "--roll-list rolls.csv", "speed": "--speed 0",
			"quirk": "--quirk gremlins", "bench": "--bench", "acts": "--acts none", "roll-time": "--roll-time 1m",
		}, map[string]string{
			"journal": "TestAcceptSoundLine", "against": "TestAcceptSoundLine",
			"seed": "accept.txtar", "by": "TestAcceptSoundLine", "html": "TestAcceptSoundLine", "json": "accept.txtar", "csv": "accept.txtar", "verbose": "accept.txtar",
		}},
		{"config", "--config demo.yaml", source(map[string]string{
			"json": "--json", "csv": "--csv", "changed": "--changed", "schema": "|--schema=false|--schema", "reference": "|--reference=false|--reference",
		}), nil},
		{"words", "", map[string]string{}, nil},
		{"handbook", "", map[string]string{"output": "--output handbook.html"}, nil},
		{"version", "", map[string]string{"json": "--json", "csv": "--csv"}, nil},
	}
}

// call is the call of a command to which what shows a flag is added.
func (e *effects) call(with string) (words []string, added string) {
	base := e.base
	if rest, own := strings.CutPrefix(with, "|"); own {
		base, with, _ = strings.Cut(rest, "|")
	}
	if e.command == "" {
		return nil, with
	}
	return strings.Fields(e.command + " " + base), with
}

// TestEveryFlagHasAnEffect goes over all flags of all commands: each changes
// what comes out, or is refused. A flag that is taken and ignored fails, and so
// does one of which nothing shows what it does.
func TestEveryFlagHasAnEffect(t *testing.T) {
	if testing.Short() {
		t.Skip("a long reckoning of one goroutine")
	}
	here, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	files, seen := flagFiles(t), map[string]string{}
	table := allEffects()
	for _, f := range allFlags() {
		i := slices.IndexFunc(table, func(e effects) bool { return e.command == f.command })
		if i < 0 {
			t.Errorf("command %q has no row in allEffects: add one that shows what each of its flags does", f.command)
			continue
		}
		e := &table[i]
		if by, ok := e.shown[f.Name]; ok {
			shownBy(t, here, by, "--"+f.Name)
			continue
		}
		with, ok := e.with[f.Name]
		if !ok {
			t.Errorf("%s --%s: nothing shows that it has an effect; add it to the row of its command in allEffects", f.command, f.Name)
			continue
		}
		words, with := e.call(with)
		call := strings.Join(words, " ")
		without, known := seen[call]
		if !known {
			without = outcome(t, files, words)
			if again := outcome(t, files, words); again != without {
				t.Errorf("%v comes out in two ways, which shows nothing of a flag:\n%s\n%s", words, without, again)
			}
			seen[call] = without
		}
		if got := outcome(t, files, append(slices.Clone(words), strings.Fields(with)...)); got == without {
			t.Errorf("%v: %s changes nothing:\n%s", words, with, got)
		}
	}
}

// shiftOf is the simulation of the demonstration's line that flags ask for.
func shiftOf(t *testing.T, args ...string) sim.Config {
	t.Helper()
	var f simFlags
	cmd := &cobra.Command{}
	f.add(cmd)
	if err := cmd.ParseFlags(args); err != nil {
		t.Fatal(err)
	}
	snapshot, err := config.Load(config.Source{Path: "demo.yaml", Bytes: configs.Demo()})
	if err != nil {
		t.Fatal(err)
	}
	c := sim.DefaultConfig()
	if err := f.put(&c, snapshot.Lines[0].Recipe); err != nil {
		t.Fatal(err)
	}
	return c
}

// The press lies off by its uncertainties only where that is asked for.
func TestSpreadOfThePress(t *testing.T) {
	if calm, spread := shiftOf(t).Spread, shiftOf(t, "--spread").Spread; calm.Conductance != 0 || math.Abs(spread.Conductance-0.08) > 1e-9 || spread.Effusivity == 0 {
		t.Errorf("spread of the conductance %g, with --spread %g", calm.Conductance, spread.Conductance)
	}
}

// Another seed makes another shift and other noise.
func TestShiftFollowsSeed(t *testing.T) {
	one, same, other := shiftOf(t, "--seed", "1"), shiftOf(t), shiftOf(t, "--seed", "2")
	if !reflect.DeepEqual(one.Rolls, same.Rolls) || reflect.DeepEqual(one.Rolls, other.Rolls) || one.Seed == other.Seed {
		t.Error("the shift does not follow the seed")
	}
}

// flagFiles are the files that the calls of allEffects find beside them.
func flagFiles(t *testing.T) map[string]string {
	t.Helper()
	dir := t.TempDir()
	other := strings.Replace(string(configs.Demo()), "directory: journal", "directory: elsewhere", 1)
	other = strings.Replace(other, "layers: 3", "layers: 2", 1)
	files := map[string]string{
		"demo.yaml": string(configs.Demo()), "other.yaml": other, "broken.yaml": "lines: nonsense\n",
		"rolls.csv": "roll,diameter (in),width (in),grade,core\nA-1,50,62,1,1\n", "bad.csv": "tag,diameter_mm,width_mm,grade\nA-1,wide,1000,1\n",
		"week.csv":  "roll,width (in),diameter (in),spec,count\nW-1,23,45,domestic,4\nW-2,52,50,domestic,9\n",
		"plain.csv": "roll,width (in),diameter (in)\nP-1,50,50\n",
		"plan.csv":  "step,roll\n",
		"curve.csv": bondCurve(t, 310), "second.csv": bondCurve(t, 350),
		"tags.csv": "field,type,register,unit\nrequest.diameter,float32,40108,mm\n",
	}
	for _, args := range [][]string{
		{"demo", "--rolls", "3", "--speed", "500", "--seed", "2", "--journal", filepath.Join(dir, "j")},
		{"trust", "list", "--folder", filepath.Join(dir, "pki")},
	} {
		var stdout, stderr bytes.Buffer
		if code := run(args, nil, strings.NewReader(""), &stdout, &stderr); code != exitDone {
			t.Fatalf("%v: %s%s", args, stdout.String(), stderr.String())
		}
	}
	for name, from := range map[string]string{"north.db": "j/north.db", "pki/own/certificate.der": "pki/own/certificate.der", "pki/own/key.pem": "pki/own/key.pem"} {
		text, err := os.ReadFile(filepath.Join(dir, from))
		if err != nil {
			t.Fatal(err)
		}
		files[name] = string(text)
	}
	return files
}

// outcome runs the program in a folder of its own, beside a daemon that repeats
// what it is asked, and returns all that came of it.
func outcome(t *testing.T, files map[string]string, args []string) string {
	t.Helper()
	return outcomeBeside(t, repeat, files, args)
}

// outcomeBeside is outcome beside another daemon.
func outcomeBeside(t *testing.T, answer func(context.Context, control.Request) control.Reply, files map[string]string, args []string) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "f")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = os.RemoveAll(dir) }()
	for name, text := range files {
		path := filepath.Join(dir, name)
		if err := errOf(os.MkdirAll(filepath.Dir(path), 0o700), os.WriteFile(path, []byte(text), 0o600)); err != nil {
			t.Fatal(err)
		}
	}
	t.Chdir(dir)
	daemon, err := control.Listen(t.Context(), filepath.Join("journal", "control.sock"), answer)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = daemon.Close() }()
	var stdout, stderr bytes.Buffer
	code := run(args, []string{"TZ=UTC", "COLUMNS=120"}, strings.NewReader(""), &stdout, &stderr)
	var left strings.Builder
	err = filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			info, _ := e.Info()
			fmt.Fprintf(&left, "%s %d\n", path, info.Size())
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return strings.ReplaceAll(fmt.Sprintf("exit code %d\n%s%s%s", code, stdout.String(), stderr.String(), left.String()), dir, "")
}

func errOf(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// repeat answers a command with the command.
func repeat(_ context.Context, r control.Request) control.Reply {
	text, err := json.Marshal(r)
	if err != nil {
		return control.Reply{Outcome: control.Failed, Error: err.Error()}
	}
	if r.Command == control.Alarms && r.Act == "" {
		return control.Reply{Outcome: control.Done, Alarms: []control.LineAlarms{{Line: cmp.Or(r.Line, "north"), Alarms: []alarm.Alarm{{Key: "link-down"}}}}}
	}
	shown, err := json.Marshal(status.View{Lines: []status.LineView{{Line: cmp.Or(r.Line, "north")}}})
	if err != nil {
		return control.Reply{Outcome: control.Failed, Error: err.Error()}
	}
	pair := []control.PairLine{{Line: cmp.Or(r.Line, "north"), Machine: "a", Role: "STANDBY"}}
	return control.Reply{Outcome: control.Done, Pair: pair, Status: shown, Text: []string{string(text)}, Proposal: &control.Proposal{Line: cmp.Or(r.Line, "north"), Token: handshake.Token{Boot: 1, Req: 1}}}
}

// shownBy holds a script or a test to what is said of it: that it uses a flag.
func shownBy(t *testing.T, here, name, flag string) {
	t.Helper()
	uses := regexp.MustCompile(regexp.QuoteMeta(flag) + `\b`)
	for _, place := range []string{filepath.Join(here, "testdata/script", name), filepath.Join(here, "../../testdata/e2e", name)} {
		if text, err := os.ReadFile(place); err == nil {
			if !uses.Match(text) {
				t.Errorf("%s shows nothing of %s", name, flag)
			}
			return
		}
	}
	tests, err := filepath.Glob(filepath.Join(here, "*_test.go"))
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range tests {
		text, err := os.ReadFile(file)
		if err != nil {
			continue
		}
		if _, body, ok := strings.Cut(string(text), "\nfunc "+name+"(t *testing.T) {"); ok {
			body, _, _ = strings.Cut(body, "\n}\n")
			if !uses.MatchString(body) {
				t.Errorf("%s shows nothing of %s", name, flag)
			}
			return
		}
	}
	t.Errorf("no script and no test is named %s", name)
}
