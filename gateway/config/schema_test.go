package config_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lapgate/gateway/config"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"
)

const schemaFile = "../../configs/lapgate.schema.json"

func TestSchemaFile(t *testing.T) {
	want := config.SchemaText()
	if *config.Update {
		if err := os.WriteFile(schemaFile, want, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(schemaFile)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Error("configs/lapgate.schema.json is not what the tags say; run go test ./gateway/config -update and read the difference")
	}
}

// schema compiles the schema with a validator of its own.
func schema(t *testing.T) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(config.SchemaText()))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft2020)
	if err := c.AddResource(schemaFile, doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile(schemaFile)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func decoded(t *testing.T, text []byte) any {
	t.Helper()
	var v any
	if err := yaml.Unmarshal(text, &v); err != nil {
		t.Fatal(err)
	}
	return v
}

// What Load takes the schema takes too.
func TestSchemaTakesGoodConfigurations(t *testing.T) {
	s := schema(t)
	files, err := filepath.Glob("../../testdata/config/warn/*.yaml")
	if err != nil || len(files) < 8 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, file := range append(files, referenceFile, demoFile) {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Validate(decoded(t, text)); err != nil {
			t.Errorf("%s: %v", file, err)
		}
	}
	if err := s.Validate(decoded(t, []byte(sparse))); err != nil {
		t.Errorf("without any default: %v", err)
	}
}

// What the schema refuses Load refuses too, and the common mistakes are among
// it.
func TestSchemaMarksMistakes(t *testing.T) {
	s := schema(t)
	for _, c := range []struct{ from, to, key string }{
		{"caliper: 0.3 mm", "caliper: 0.3", "caliper"},
		{"caliper: 0.3 mm", "caliper: 0.3 kg", "caliper"},
		{"caliper: 0.3 mm", "calliper: 0.3 mm", "calliper"},
		{"layers: 3", "layers: 3000", "layers"},
		{"layers: 3", `layers: "3"`, "layers"},
		{"diameter: 12 in..72 in", "diameter: 12..72 in", "diameter"},
		{"protocol: modbus-tcp", "protocol: modbus", "protocol"},
		{"slip_compensation: false", "slip_compensation: no way", "slip_compensation"},
		{"number: 1", "number: one", "number"},
		{"number: 1", "# number", "number"},
		{"      address: 127.0.0.1:502", "      # address", "address"},
	} {
		text := string(config.ReferenceText())
		if c.from == "caliper: 0.3 mm" {
			text = strings.Replace(text, firstLineWith(text, "    caliper:"), "    caliper: 0.3 mm", 1)
		}
		if c.from == "layers: 3" {
			text = strings.Replace(text, firstLineWith(text, "    layers:"), "    layers: 3", 1)
		}
		bad := strings.Replace(text, c.from, c.to, 1)
		if bad == text {
			t.Fatalf("the reference has no %q", c.from)
		}
		if err := s.Validate(decoded(t, []byte(text))); err != nil {
			t.Fatalf("before the change to %q: %v", c.to, err)
		}
		err := s.Validate(decoded(t, []byte(bad)))
		if err == nil || !strings.Contains(err.Error(), c.key) {
			t.Errorf("%s: got %v, want a problem with %s", c.to, err, c.key)
		}
		var refused *config.Error
		if _, err := config.Load(config.Source{Path: "bad.yaml", Bytes: []byte(bad)}); !errors.As(err, &refused) {
			t.Errorf("%s: the schema refuses what Load takes", c.to)
		}
	}
}

// Lengths as inch mills write them pass both.
func TestSchemaTakesFractions(t *testing.T) {
	s := schema(t)
	for _, length := range []string{"50 1/2 in", "50-1/2 in", "50½ in", `"4' 2\""`, "4 ft 2 in", "4 ft 2 1/2 in", "4ft 2.25in", "4 feet ½ inch", "101/2 in"} {
		text := strings.Replace(string(config.ReferenceText()), "width: 50 in", "width: "+length, 1)
		if text == string(config.ReferenceText()) {
			t.Fatal("the reference has no width of 50 in")
		}
		if err := s.Validate(decoded(t, []byte(text))); err != nil {
			t.Errorf("%s: %v", length, err)
		}
		if _, err := config.Load(config.Source{Path: "good.yaml", Bytes: []byte(text)}); err != nil {
			t.Errorf("%s: %v", length, err)
		}
	}
}

func firstLineWith(text, prefix string) string {
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, prefix) {
			return strings.TrimSuffix(line, "\n")
		}
	}
	return prefix
}
