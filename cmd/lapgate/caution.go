package main

import (
	"strings"

	"lapgate/gateway/present"
	"lapgate/recipe/caution"
)

// folded is a caution in lines as long as those of a help text.
func folded(c caution.Caution) string { return strings.Join(present.Wrap(c.String(), 80), "\n") }
