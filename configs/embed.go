// Package configs holds the configurations that are part of the program.
package configs

import (
	_ "embed" // for the files below
	"slices"
)

//go:embed reference.yaml
var reference []byte

//go:embed demo.yaml
var demo []byte

//go:embed lapgate.schema.json
var schema []byte

//go:embed words-de.csv
var german []byte

// German is a sample of a translation of what people at the line read.
func German() []byte { return slices.Clone(german) }

// Schema is the JSON Schema of a configuration, for editors.
func Schema() []byte { return slices.Clone(schema) }

// Reference is the reference configuration: every key at its default with what
// it means.
func Reference() []byte { return slices.Clone(reference) }

// Demo is the configuration of the demonstration, a made-up mill.
func Demo() []byte { return slices.Clone(demo) }
