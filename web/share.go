package web

import (
	"net/http"
	"slices"

	"tidemark/web/access"
)

// shareCookie holds the token of a browser that was given a link to look.
const shareCookie = "tidemark_share"

// shareFor is how long such a browser may look before the link is opened again, seconds.
const shareFor = 400 * 24 * 3600

// share lets a browser look, and nothing more, by a link that holds a token which may
// only read. The token goes into a cookie, so that the address shown is without it.
func (s *Server) share(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Referrer-Policy", "no-referrer")
	if s.shared(r, r.PathValue("token")) == nil {
		s.refuse(w, r, http.StatusNotFound, "refused", s.say("token.share.gone", nil))
		return
	}
	s.setCookie(w, r, shareCookie, r.PathValue("token"), shareFor)
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// shared returns the token of a link to look; nil when it is none, or may do more.
func (s *Server) shared(r *http.Request, plain string) *access.Token {
	if plain == "" {
		return nil
	}
	t, err := s.access.Bearer(r.Context(), "Bearer "+plain, asker(r))
	if err != nil || !slices.Equal(t.Scopes, []access.Scope{access.Read}) {
		return nil
	}
	return &t
}

// shareLink is the address at which a token that may only read lets others look.
func shareLink(r *http.Request, plain string) string {
	scheme := "http"
	if r.TLS != nil {
		scheme = "https"
	}
	return scheme + "://" + r.Host + "/share/" + plain
}

// postAgain begins the invented day anew. The page is shown again when it is there.
func (s *Server) postAgain(w http.ResponseWriter, r *http.Request) error {
	s.opt.Again()
	w.Header().Set("Refresh", "2; url=/")
	return s.render(w, http.StatusOK, "message", messagePage{frame: s.frame(w, r, s.say("demo.again", nil), "now"), Heading: s.say("demo.again", nil), Text: s.say("demo.again.soon", nil), Back: "/"})
}
