package opcua

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// A pair is kept until it is renewed or has ended, and a file that is none is left alone.
func TestKeptPair(t *testing.T) {
	dir, now := filepath.Join(t.TempDir(), "state"), time.Now()
	certificate := func(renew bool, at time.Time) []byte {
		t.Helper()
		path, key, err := keptPair(dir, "127.0.0.1:0", renew, at)
		if err != nil {
			t.Fatal(err)
		}
		if info, err := os.Stat(key); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("key %v, %v", info, err)
		}
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return text
	}
	first := certificate(false, now)
	if !bytes.Equal(first, certificate(false, now.Add(longLifetime-time.Minute))) {
		t.Error("the pair was made anew before its end")
	}
	ended := certificate(false, now.Add(longLifetime+time.Minute))
	renewed := certificate(true, now)
	if bytes.Equal(first, ended) || bytes.Equal(ended, renewed) {
		t.Error("the pair was kept after its end, or though it was to be renewed")
	}
	file := filepath.Join(dir, certificateFile)
	if err := os.WriteFile(file, []byte("not a certificate"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, err := keptPair(dir, "127.0.0.1:0", false, now); err == nil {
		t.Error("text was taken for a certificate")
	}
	if text, err := os.ReadFile(file); err != nil || string(text) != "not a certificate" {
		t.Errorf("the file became %q, %v", text, err)
	}
}
