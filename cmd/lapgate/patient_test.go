package main

import (
	"slices"
	"strings"
	"testing"

	"lapgate/configs"
)

// patient are settings of a controller with which gateway and simulated controller wait for
// each other as long as a machine may take that is busy with other tests.
var patient = []string{
	"times.request_timeout=5 s", "times.data_stale=30 s", "times.verdict=11 s",
	"program.commit_ttl=30 s", "program.heartbeat_loss=10 s",
}

// patientWith are flags that give the first line of a configuration these settings, and
// others.
func patientWith(more ...string) (flags []string) {
	for _, setting := range patient {
		flags = append(flags, "--set", "lines.0.controller."+setting)
	}
	for _, setting := range more {
		flags = append(flags, "--set", setting)
	}
	return flags
}

// patientDemo is the demo's configuration with these settings.
func patientDemo(t testing.TB) string {
	t.Helper()
	const before = "      plain: true # the simulator listens on loopback\n"
	text := string(configs.Demo())
	if strings.Count(text, before) != 1 {
		t.Fatalf("the demo's configuration has no %q", before)
	}
	settings := map[string][]string{}
	for _, setting := range patient {
		section, key, _ := strings.Cut(setting, ".")
		settings[section] = append(settings[section], strings.Replace(key, "=", ": ", 1))
	}
	for _, section := range []string{"times", "program"} {
		slices.Sort(settings[section])
		text = strings.Replace(text, before, before+"      "+section+": {"+strings.Join(settings[section], ", ")+"}\n", 1)
	}
	return text
}
