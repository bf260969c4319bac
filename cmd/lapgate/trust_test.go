package main

import (
	"bytes"
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"

	"lapgate/gateway/link/opcua"
)

// TestTrustAccept accepts a certificate by its fingerprint, with colons and in
// capitals as many tools fingerprint it.
func TestTrustAccept(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	var certificates []opcua.CertificateReport
	list := func() {
		t.Helper()
		var stdout, stderr bytes.Buffer
		if code := run([]string{"trust", "list", "--folder", folder, "--json"}, nil, nil, &stdout, &stderr); code != exitDone {
			t.Fatalf("list ended with %d: %s", code, stderr.String())
		}
		certificates = certificatesOf(t, stdout.String())
	}
	list()
	if len(certificates) != 1 || certificates[0].Role != "own" || certificates[0].State != "valid" {
		t.Fatalf("got %+v, want the gateway's own", certificates)
	}
	fingerprint := certificates[0].Fingerprint
	var pairs []string
	for i := 0; i+2 <= len(fingerprint); i += 2 {
		pairs = append(pairs, strings.ToUpper(fingerprint[i:i+2]))
	}
	var stdout, stderr bytes.Buffer
	file := filepath.Join(folder, "own", "certificate.der")
	code := run([]string{"trust", "accept", file, "--folder", folder, "--fingerprint", strings.Join(pairs, ":")}, nil, nil, &stdout, &stderr)
	if code != exitDone || !strings.Contains(stdout.String(), "trusted: CN=lapgate at ") || !strings.Contains(stdout.String(), fingerprint) {
		t.Errorf("accept ended with %d: %s%s", code, stdout.String(), stderr.String())
	}
	list()
	if len(certificates) != 2 || certificates[1].Role != "trusted" || certificates[1].Fingerprint != fingerprint {
		t.Errorf("got %+v, want it trusted", certificates)
	}
}

// certificatesOf reads the certificates that a command printed as JSON.
func certificatesOf(t *testing.T, text string) (out []opcua.CertificateReport) {
	t.Helper()
	for line := range strings.Lines(text) {
		var c opcua.CertificateReport
		if err := json.Unmarshal([]byte(line), &c); err != nil {
			t.Fatal(err)
		}
		out = append(out, c)
	}
	return out
}
