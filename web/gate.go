package web

import (
	"net"
	"net/http"
	"net/netip"

	"tidemark/web/access"
)

// The cookies. A browser keeps them by host alone, so the port is added to
// their names: a demo beside the service must not lock its readers out.
const (
	sessionCookie = "tidemark_session"
	flashCookie   = "tidemark_said"
)

// who is the asker of one request.
type who struct {
	local   bool // this machine, and no passphrase is set
	session bool // an unlocked browser
	token   *access.Token
	link    bool  // the token came with a link to look
	failure error // why a token was not accepted
}

// ask finds out who asks.
func (s *Server) ask(r *http.Request) who {
	ctx := r.Context()
	if header := r.Header.Get("Authorization"); header != "" {
		t, err := s.access.Bearer(ctx, header, asker(r))
		if err != nil {
			return who{failure: err}
		}
		return who{token: &t}
	}
	locked := s.access.Locked(ctx)
	w := who{local: !locked && fromHere(r), session: locked && s.access.Known(ctx, cookieValue(r, sessionCookie))}
	if !w.local && !w.session {
		w.token = s.shared(r, cookieValue(r, shareCookie))
		w.link = w.token != nil
	}
	return w
}

// may reports whether the asker has a scope.
func (s *Server) may(r *http.Request, scope access.Scope) bool {
	w := s.ask(r)
	switch {
	case w.failure != nil:
		return false
	case w.token != nil:
		return w.token.Allows(scope)
	case w.local, w.session:
		return true
	}
	return scope == access.Read && s.opt.OpenReading && s.access.Locked(r.Context())
}

// mayAct reports whether the asker may change something.
func (s *Server) mayAct(r *http.Request) bool { return s.may(r, access.Change) }

// fromHere reports whether the request comes from this machine itself and was
// not handed on by a proxy.
func fromHere(r *http.Request) bool {
	for _, h := range []string{"Forwarded", "X-Forwarded-For", "X-Real-Ip"} {
		if r.Header.Get(h) != "" {
			return false
		}
	}
	ip, err := netip.ParseAddr(hostOf(r.RemoteAddr))
	return err == nil && ip.IsLoopback()
}

// setCookie sets a cookie that scripts cannot read and other sites do not send
// along. A negative age removes it.
func (s *Server) setCookie(w http.ResponseWriter, r *http.Request, name, value string, maxAge int) {
	http.SetCookie(w, &http.Cookie{Name: cookieName(r, name), Value: value, Path: "/", MaxAge: maxAge, HttpOnly: true,
		Secure: s.opt.Secure || r.TLS != nil, SameSite: http.SameSiteLaxMode})
}

// cookieName is the name of a cookie at the address that was asked for.
func cookieName(r *http.Request, name string) string {
	if _, port, err := net.SplitHostPort(r.Host); err == nil && port != "" {
		return name + "_" + port
	}
	return name
}

func cookieValue(r *http.Request, name string) string {
	c, err := r.Cookie(cookieName(r, name))
	if err != nil {
		return ""
	}
	return c.Value
}
