package config

import "flag"

// Update asks for the files that the tests compare with to be written anew.
var Update = flag.Bool("update", false, "rewrite the files that the tests compare with")

// What the files beside the program are written from.
var (
	ReferenceText = referenceText
	SchemaText    = schemaText
)
