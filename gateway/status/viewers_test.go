package status

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
)

// Thirty-two look, one more is told so, and one that takes nothing keeps nobody: what
// the line publishes is asked for once for all of them, however many there are.
func TestViewers(t *testing.T) {
	l, n := atStation(t, demoLine(t), true, handshake.Empty)
	var asked atomic.Int64
	s := sourceOf(l, n)
	s.Newest = func(string) *record.Newest { asked.Add(1); return n }
	began := time.Now()
	server, err := Listen(t.Context(), "127.0.0.1:0", config.Access{}, s)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = server.Close() }()
	var d net.Dialer
	slow, err := d.DialContext(t.Context(), "tcp", server.Addr()) // it asks and never reads
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = slow.Close() }()
	if _, err := slow.Write([]byte("GET /events HTTP/1.1\r\nHost: x\r\n\r\n")); err != nil {
		t.Fatal(err)
	}
	client := &http.Client{}
	look := func() *http.Response {
		r, err := http.NewRequestWithContext(t.Context(), "GET", server.URL()+"events", nil)
		if err != nil {
			t.Fatal(err)
		}
		w, err := client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		return w
	}
	event := func(w *http.Response) string {
		text := ""
		for in := bufio.NewScanner(w.Body); in.Scan() && in.Text() != ""; {
			text += in.Text() + "\n"
		}
		return text
	}
	for i := range mostViewers - 1 {
		w := look()
		defer func() { _ = w.Body.Close() }()
		if text := event(w); w.StatusCode != http.StatusOK || !strings.HasPrefix(text, "data: ") || !strings.Contains(text, "No roll at the station") {
			t.Fatalf("viewer %d: %s %q", i, w.Status, text)
		}
	}
	// The slow one may have come after them.
	for w := look(); w.StatusCode != http.StatusServiceUnavailable; w = look() {
		defer func() { _ = w.Body.Close() }()
	}
	if n, most := asked.Load(), 1+int64(time.Since(began)/redraw); n > most {
		t.Errorf("the line was asked %d times, want %d at most in that time", n, most)
	}
}

// The page outside loopback: TLS alone, and who shows a token or a certificate, for
// everything that is served. A token in the address admits nobody.
func TestAdmission(t *testing.T) {
	l, n := atStation(t, demoLine(t), true, handshake.Empty)
	const token = "0123456789abcdef"
	own, roots := certificate(t)
	server, err := Listen(t.Context(), "[::]:0", config.Access{Certificate: &own, Clients: roots, Token: token}, sourceOf(l, n))
	if err != nil {
		t.Skip("no network to listen on:", err)
	}
	defer func() { _ = server.Close() }()
	_, port, err := net.SplitHostPort(server.Addr())
	if err != nil {
		t.Fatal(err)
	}
	get := func(scheme, path string, change func(*http.Request), own ...tls.Certificate) int {
		t.Helper()
		c := &http.Client{Transport: &http.Transport{DisableKeepAlives: true, TLSClientConfig: &tls.Config{RootCAs: roots, ServerName: "mill", Certificates: own, MinVersion: tls.VersionTLS12}}}
		r, err := http.NewRequestWithContext(context.Background(), "GET", scheme+"://127.0.0.1:"+port+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		change(r)
		w, err := c.Do(r)
		if err != nil {
			return 0
		}
		defer func() { _ = w.Body.Close() }()
		return w.StatusCode
	}
	nothing := func(*http.Request) {}
	for _, path := range []string{"/", "/metrics", "/health", "/status.json", "/events", "/roll/north/7", "/page.css"} {
		if got := get("https", path, nothing); got != http.StatusUnauthorized {
			t.Errorf("%s without anything: %d", path, got)
		}
		if got := get("https", path+"?token="+token+"&access_token="+token, nothing); got != http.StatusUnauthorized {
			t.Errorf("%s with the token in the address: %d", path, got)
		}
		if got := get("http", path, nothing); got == http.StatusOK {
			t.Errorf("%s without TLS: %d", path, got)
		}
	}
	for name, change := range map[string]func(*http.Request){
		"bearer":   func(r *http.Request) { r.Header.Set("Authorization", "Bearer "+token) },
		"password": func(r *http.Request) { r.SetBasicAuth("kim", token) },
	} {
		if got := get("https", "/status.json", change); got != http.StatusOK {
			t.Errorf("%s: %d", name, got)
		}
	}
	if got := get("https", "/", func(r *http.Request) { r.SetBasicAuth("kim", token+"0") }); got != http.StatusUnauthorized {
		t.Errorf("another token: %d", got)
	}
	if got := get("https", "/", nothing, own); got != http.StatusOK {
		t.Errorf("certificate: %d", got)
	}
}

// certificate makes one that signs itself, and a pool that trusts it.
func certificate(t *testing.T) (tls.Certificate, *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "mill"}, DNSNames: []string{"mill"}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	parsed, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(parsed)
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, pool
}

// Everything is for reading.
func TestOnlyGetAndHead(t *testing.T) {
	l, n := atStation(t, demoLine(t), true, handshake.Empty)
	h := Handler(sourceOf(l, n))
	for _, path := range []string{"/", "/events", "/roll/north/7", "/page.css", "/page.js", "/status.json", "/health", "/metrics"} {
		for _, method := range []string{"POST", "PUT", "DELETE", "PATCH"} {
			w := httptest.NewRecorder()
			h.ServeHTTP(w, httptest.NewRequest(method, path, nil))
			if w.Code != http.StatusMethodNotAllowed {
				t.Errorf("%s %s: %d", method, path, w.Code)
			}
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest("HEAD", path, nil))
		if path != "/roll/north/7" && w.Code != http.StatusOK {
			t.Errorf("HEAD %s: %d", path, w.Code)
		}
	}
}
