package web

import (
	"log"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"os"
	"slices"
	"strings"
	"time"

	"tidemark/web/access"
)

// maxBody is the largest request body in bytes, uploads apart.
const maxBody = 64 << 10

// guard is the outer wall: security headers, the host's name, body size.
func (s *Server) guard(next http.Handler) http.Handler {
	own, _ := os.Hostname() // no name is fine
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		securityHeaders(w.Header())
		if !hostAllowed(r.Host, own, s.opt.Hosts) {
			s.refusePage(w, r, http.StatusMisdirectedRequest, "refused.host")
			return
		}
		if !isUpload(r) {
			r.Body = http.MaxBytesReader(w, r.Body, maxBody)
		}
		next.ServeHTTP(w, r)
	})
}

// securityHeaders allow only our own files, in no other site's frame.
func securityHeaders(h http.Header) {
	h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "+
		"font-src 'self'; worker-src 'self'; connect-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=(), usb=()")
}

// hostAllowed guards against another site's name that was made to point here.
// Addresses cannot be made to; nor can localhost, the names ending in .local
// (RFC 6762) and .home.arpa (RFC 8375), and this machine's own short name.
func hostAllowed(hostPort, own string, extra []string) bool {
	host := hostPort
	if h, _, err := net.SplitHostPort(hostPort); err == nil {
		host = h
	}
	host = strings.ToLower(strings.TrimSuffix(host, "."))
	if _, err := netip.ParseAddr(strings.Trim(host, "[]")); err == nil {
		return true
	}
	if host == "localhost" || strings.HasSuffix(host, ".localhost") || strings.HasSuffix(host, ".local") ||
		strings.HasSuffix(host, ".home.arpa") {
		return true
	}
	if host != "" && host == strings.ToLower(own) && !strings.Contains(own, ".") {
		return true
	}
	return slices.ContainsFunc(extra, func(name string) bool { return strings.EqualFold(name, host) })
}

// handler answers one request, or fails with what Server.failed answers.
type handler func(w http.ResponseWriter, r *http.Request) error

// serve is a handler as package http calls it.
func (s *Server) serve(next handler) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if err := next(w, r); err != nil {
			s.failed(w, r, err)
		}
	}
}

// read lets a request pass that may read.
func (s *Server) read(next handler) http.HandlerFunc { return s.need(access.Read, s.serve(next)) }

// need lets a request pass that has a scope.
func (s *Server) need(scope access.Scope, next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if !s.may(r, scope) {
			s.turnAway(w, r)
			return
		}
		next(w, r)
	}
}

// change lets a request pass that may change things and comes from our page.
func (s *Server) change(next handler) http.HandlerFunc {
	return s.need(access.Change, s.sameOrigin(next))
}

// sameOrigin lets a request pass that comes from our page or a program. A browser says
// by Sec-Fetch-Site or, over plain HTTP, by Origin where a request comes from; that Host
// is a name of ours is checked before.
func (s *Server) sameOrigin(next handler) http.HandlerFunc {
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.refusePage(w, r, http.StatusForbidden, "refused.site")
	}))
	return cross.Handler(s.serve(next)).ServeHTTP
}

// turnAway says why a request may not pass and what to do.
func (s *Server) turnAway(w http.ResponseWriter, r *http.Request) {
	ask := s.ask(r)
	switch {
	case ask.failure == access.ErrTooMany:
		w.Header().Set("Retry-After", "30")
		problem(w, http.StatusTooManyRequests, "too many attempts", ask.failure.Error())
	case ask.failure != nil:
		w.Header().Set("WWW-Authenticate", `Bearer realm="tidemark"`)
		problem(w, http.StatusUnauthorized, "token not accepted", ask.failure.Error())
	case ask.token != nil && !ask.link:
		problem(w, http.StatusForbidden, "not in the token's scopes", "This token does not allow that; make one with the scope it needs.")
	case !s.access.Locked(r.Context()):
		s.refusePage(w, r, http.StatusForbidden, "refused.local")
	case wantsHTML(r) && r.Method == http.MethodGet:
		http.Redirect(w, r, "/unlock?to="+url.QueryEscape(r.URL.RequestURI()), http.StatusSeeOther)
	default:
		w.Header().Set("WWW-Authenticate", `Bearer realm="tidemark"`)
		s.refusePage(w, r, http.StatusUnauthorized, "refused.locked")
	}
}

// messagePage says one thing.
type messagePage struct {
	frame
	Heading, Text, Back string
	Then                string     // a second paragraph
	AskAt               string     // of what is asked back; empty for nothing
	Again               url.Values // the form to be sent again with it
}

// wantsHTML reports whether a browser shows the answer to a person.
func wantsHTML(r *http.Request) bool { return strings.Contains(r.Header.Get("Accept"), "text/html") }

// NewHTTPServer wraps a handler into a server with limits on connections, time and size:
// slow or endless requests are cut off. A request has ten seconds to arrive with its
// body, so that nobody holds a connection by sending slowly; an upload of someone who
// may change things has longer (upload.read).
func NewHTTPServer(h http.Handler, l *slog.Logger) *http.Server {
	var errorLog *log.Logger
	if l != nil {
		errorLog = slog.NewLogLogger(l.Handler(), slog.LevelDebug)
	}
	srv := &http.Server{Handler: h, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second,
		WriteTimeout: 60 * time.Second, IdleTimeout: 30 * time.Second, MaxHeaderBytes: 16 << 10, ErrorLog: errorLog}
	limitConns(srv)
	return srv
}
