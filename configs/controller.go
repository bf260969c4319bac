package configs

import _ "embed" // for the file below

//go:embed controller/lapgate.st.tmpl
var controllerTemplate string

// ControllerTemplate is the controller's program with marks where numbers go.
func ControllerTemplate() string { return controllerTemplate }
