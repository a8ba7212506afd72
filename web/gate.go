package web

import (
	"context"
	"net"
	"net/http"
	"net/netip"
	"strings"

	"tidemark/web/access"
)

// Settings keeps small values by key, such as the passphrase's hash.
type Settings = access.Settings

// gate decides about each request who asks and what that one may do.
type gate struct {
	opt    Options
	access *access.Control
}

// The cookies. A browser keeps them by host alone, so the port is added to
// their names: a demo beside the service must not lock its readers out.
const (
	sessionCookie = "tidemark_session"
	flashCookie   = "tidemark_said"
)

func newGate(opt Options) (*gate, error) {
	k, err := access.NewControl(context.Background(), opt.Settings, opt.Now)
	if err != nil {
		return nil, err
	}
	return &gate{opt: opt, access: k}, nil
}

// who is the asker of one request.
type who struct {
	local   bool // this machine, and no passphrase is set
	session bool // an unlocked browser
	token   *access.Token
	link    bool  // the token came with a link to look
	failure error // why a token was not accepted
}

// ask finds out who asks.
func (g *gate) ask(r *http.Request) who {
	ctx := r.Context()
	if header := r.Header.Get("Authorization"); header != "" {
		t, err := g.access.Bearer(ctx, header, asker(r))
		if err != nil {
			return who{failure: err}
		}
		return who{token: &t}
	}
	w := who{local: !g.access.Locked(ctx) && fromHere(r)}
	w.session = !w.local && g.access.Locked(ctx) && g.access.Known(ctx, cookieValue(r, sessionCookie))
	if !w.local && !w.session {
		w.token = g.shared(r, cookieValue(r, shareCookie))
		w.link = w.token != nil
	}
	return w
}

// may reports whether the asker has a scope.
func (g *gate) may(r *http.Request, s access.Scope) bool {
	w := g.ask(r)
	switch {
	case w.failure != nil:
		return false
	case w.token != nil:
		return w.token.Allows(s)
	case w.local, w.session:
		return true
	}
	return s == access.Read && g.opt.OpenReading && g.access.Locked(r.Context())
}

// mayAct reports whether the asker may change something.
func (g *gate) mayAct(r *http.Request) bool { return g.may(r, access.Change) }

// fromHere reports whether the request comes from this machine itself and was
// not handed on by a proxy.
func fromHere(r *http.Request) bool {
	for _, h := range []string{"Forwarded", "X-Forwarded-For", "X-Real-Ip"} {
		if r.Header.Get(h) != "" {
			return false
		}
	}
	ip, err := netip.ParseAddr(address(r))
	return err == nil && ip.Unmap().IsLoopback()
}

// address is the asker's IP address without its port.
func address(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	host, _, _ = strings.Cut(host, "%") // the zone of a link-local address
	return host
}

// setCookie sets a cookie that scripts cannot read and other sites do not send
// along. A negative age removes it.
func (g *gate) setCookie(w http.ResponseWriter, r *http.Request, name, value string, maxAge int) {
	http.SetCookie(w, &http.Cookie{Name: cookieName(r, name), Value: value, Path: "/", MaxAge: maxAge, HttpOnly: true,
		Secure: g.opt.Secure || r.TLS != nil, SameSite: http.SameSiteLaxMode})
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
