package main

import (
	"strings"
	"testing"
)

func TestSimOPCUAFlags(t *testing.T) {
	f := simOPCUAFlags{users: "x"}
	if _, err := f.config("north"); err == nil || !strings.Contains(err.Error(), "--opcua") {
		t.Errorf("users without a server: %v", err)
	}
	f = simOPCUAFlags{addr: "127.0.0.1:0"}
	if c, err := f.config("north"); err != nil || !c.Anonymous || c.Plain || c.Line != "north" {
		t.Errorf("%+v, %v", c, err)
	}
}
