package status

import (
	"crypto/subtle"
	"net/http"
	"strings"

	"lapgate/gateway/config"
)

// admit lets only those through whom the access admits. A token is taken from the
// header alone, as a bearer or as the password of basic authentication, which a browser
// asks for: an address is kept in histories and logs.
func admit(a config.Access, next http.Handler) http.Handler {
	if a.Open() {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if a.Clients != nil && r.TLS != nil && len(r.TLS.VerifiedChains) > 0 || hasToken(a.Token, r) {
			next.ServeHTTP(w, r)
			return
		}
		if a.Token != "" {
			w.Header().Set("WWW-Authenticate", `Basic realm="lapgate", charset="UTF-8"`)
		}
		http.Error(w, "give the token of status.token as bearer or as password, or a certificate that status.clients admits", http.StatusUnauthorized)
	})
}

func hasToken(want string, r *http.Request) bool {
	if want == "" {
		return false
	}
	_, got, ok := r.BasicAuth()
	if !ok {
		got, ok = strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	}
	return ok && subtle.ConstantTimeCompare([]byte(got), []byte(want)) == 1
}
