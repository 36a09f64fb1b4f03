package dashboards

import (
	"crypto/sha256"
	"crypto/subtle"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
)

// policy lets the page load its own files and nothing else: no inline script
// or style, no foreign address, no frame around it.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self'; " +
	"base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// cookie keeps the token of a browser that came in by /?token=...
const cookie = "gearwitness_token"

// guard stands before everything. Host is checked so that a foreign name that
// resolves to this machine (DNS rebinding) gets nothing; Origin so that a page
// from elsewhere in the user's browser gets nothing; the token where others
// can reach us.
func (s *Server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		if !s.knownHost(r.Host) {
			refuse(w, http.StatusMisdirectedRequest, "this server does not answer to the name in the request; open it by its address, or start it with that name among its hosts")
			return
		}
		if !sameOrigin(r) {
			refuse(w, http.StatusForbidden, "the request comes from a page of another origin; open this server's own page instead")
			return
		}
		if s.o.Token != "" && r.URL.Path != "/healthz" {
			if t := r.URL.Query().Get("token"); t != "" && r.URL.Path == "/" && r.Method == http.MethodGet && s.rightToken(t) {
				http.SetCookie(w, &http.Cookie{Name: cookie, Value: url.QueryEscape(t), Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode})
				http.Redirect(w, r, "/", http.StatusSeeOther) // keeps the token out of the history
				return
			}
			if !s.rightToken(presented(r)) {
				h.Set("WWW-Authenticate", `Bearer realm="gearwitness"`)
				refuse(w, http.StatusUnauthorized, "a token is needed: open /?token=TEXT in the browser, or send the header Authorization: Bearer TEXT")
				return
			}
		}
		next.ServeHTTP(w, r)
	})
}

// knownHost tells whether we answer to the name a client used.
func (s *Server) knownHost(hostport string) bool {
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	}
	host = strings.TrimSuffix(strings.ToLower(strings.Trim(host, "[]")), ".")
	if host == "localhost" || slices.ContainsFunc(s.o.Hosts, func(h string) bool { return strings.EqualFold(h, host) }) {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && (ip.IsLoopback() || s.o.Token != "")
}

// sameOrigin tells whether a request that names an origin names ours. A browser
// names none for what a foreign page embeds, but says where it comes from; a
// link to the page itself may be anywhere.
func sameOrigin(r *http.Request) bool {
	if site := r.Header.Get("Sec-Fetch-Site"); strings.Contains(r.URL.Path, "/api/") && site != "" && site != "same-origin" && site != "none" {
		return false
	}
	origins := r.Header.Values("Origin")
	if len(origins) == 0 {
		return true
	}
	u, err := url.Parse(origins[0])
	return len(origins) == 1 && err == nil && (u.Scheme == "http" || u.Scheme == "https") && strings.EqualFold(u.Host, r.Host)
}

// presented returns the token a request carries.
func presented(r *http.Request) string {
	if t, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer "); ok {
		return t
	}
	if c, err := r.Cookie(cookie); err == nil {
		if t, err := url.QueryUnescape(c.Value); err == nil {
			return t
		}
	}
	return ""
}

// rightToken compares without telling by its time how much was right.
func (s *Server) rightToken(t string) bool {
	got, want := sha256.Sum256([]byte(t)), sha256.Sum256([]byte(s.o.Token))
	return subtle.ConstantTimeCompare(got[:], want[:]) == 1
}
