package main

import (
	"io"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"lapgate/gateway/engine/enginetest"
	"lapgate/gateway/journal"
)

// The daemon hands the journals of its lines on as the configuration says, also of a line
// without a controller; page, status and metrics tell how far they are; and the engine has
// all of them when the daemon has ended.
func TestRunShips(t *testing.T) {
	t.Parallel()
	d := enginetest.New(t)
	dir := t.TempDir()
	file := twoLines(t, dir, liveLine(t), deadAddress())
	f, err := os.OpenFile(file, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteString("engine:\n  address: " + d.Server.Folder() + "\n  database: " + d.Name + "\n  user: " + enginetest.Machine + "\n  mill: m\n  machine: a\n"); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	daemon := startDaemon(t.Context(), t, file)
	c := d.Connect(t, enginetest.Reader)
	heads := func() map[string]journal.Head {
		all, err := c.Journals(t.Context(), "")
		if err != nil {
			t.Fatal(err)
		}
		out := map[string]journal.Head{}
		for _, j := range all {
			out[j.Line] = j.Head
		}
		return out
	}
	const looked = 5 // with the roll that waits, and what it would get
	for heads()["north"].Seq < looked || heads()["south"].Seq < 2 {
		<-time.After(50 * time.Millisecond)
	}
	wants(t, called(t, exitDone, "status", "--config", file), "In the engine up to record")
	answer, err := http.Get(daemon.page + "metrics")
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	_ = answer.Body.Close()
	wants(t, string(text), `lapgate_engine_connected{line="north"} 1`, `lapgate_engine_connected{line="south"} 1`)
	daemon.stop()
	for line, there := range heads() {
		r, err := journal.OpenReader(t.Context(), filepath.Join(dir, "j", line+".db"))
		if err != nil {
			t.Fatal(err)
		}
		here, err := r.Head(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
		if here != there || here.Seq < 2 {
			t.Errorf("%s: %v here, %v there", line, here, there)
		}
	}
}
