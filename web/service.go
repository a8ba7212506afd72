package web

import (
	"errors"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/web/access"
)

// servicePage is about the service itself.
type servicePage struct {
	frame
	Locked   bool // a passphrase is set
	Session  bool // this browser is unlocked
	Tokens   []access.Token
	Problems []string
	Started  string
	Stored   string
	Metrics  bool
	Zone     string
	Units    string
	Upkeep   bool // backups can be restored and records imported
	Vessels  []string
}

// pageService shows how the household's tidemark is set up.
func (s *Server) pageService(w http.ResponseWriter, r *http.Request) {
	snap := s.opt.Live.Snapshot()
	l := s.words.At(snap.At)
	p := servicePage{frame: s.frame(w, r, s.say("house", nil), "house"), Locked: s.gate.access.Locked(r.Context()), Session: s.gate.ask(r).session,
		Problems: s.problems(snap), Metrics: s.opt.Metrics != nil, Zone: s.zone().String(), Units: s.units()}
	if !snap.System.StartedAt.IsZero() {
		p.Started = l.Moment(snap.System.StartedAt)
	}
	if !snap.System.LastCommit.IsZero() {
		p.Stored = l.Moment(snap.System.LastCommit)
	}
	p.Upkeep = s.opt.Upkeep != nil && s.opt.History != nil
	for _, v := range snap.Vessels {
		p.Vessels = append(p.Vessels, v.Vessel)
	}
	if p.CanAct {
		p.Tokens = s.gate.access.Tokens(r.Context())
	}
	s.render(w, http.StatusOK, "service", p)
}

// units are the household's clock and scale in words.
func (s *Server) units() string {
	clock, degrees := "house.clock24", "°C"
	if s.words.Locale().Clock12 {
		clock = "house.clock12"
	}
	if s.words.Locale().Fahrenheit {
		degrees = "°F"
	}
	return s.say(clock, nil) + ", " + degrees
}

// unlockPage asks for the passphrase.
type unlockPage struct {
	frame
	To     string
	Wrong  string
	NotSet bool
}

// pageUnlock shows the form.
func (s *Server) pageUnlock(w http.ResponseWriter, r *http.Request) {
	s.showUnlock(w, r, http.StatusOK, "")
}

func (s *Server) showUnlock(w http.ResponseWriter, r *http.Request, status int, wrong string) {
	f := frame{Title: s.say("unlock", nil) + " · tidemark", Lang: s.lang(), Demo: s.opt.Demo, Version: s.opt.Live.Snapshot().System.Version}
	s.render(w, status, "unlock", unlockPage{frame: f, To: localPath(r.FormValue("to")), Wrong: wrong, NotSet: !s.gate.access.Locked(r.Context())})
}

// postUnlock checks the passphrase and opens a session.
func (s *Server) postUnlock(w http.ResponseWriter, r *http.Request) {
	id, err := s.gate.access.Unlock(r.Context(), r.PostFormValue("passphrase"), asker(r))
	switch {
	case errors.Is(err, access.ErrTooMany):
		w.Header().Set("Retry-After", "30")
		s.showUnlock(w, r, http.StatusTooManyRequests, s.say("unlock.many", nil))
	case errors.Is(err, access.ErrWrong):
		s.showUnlock(w, r, http.StatusForbidden, s.say("unlock.wrong", nil))
	case errors.Is(err, access.ErrNotSet):
		s.showUnlock(w, r, http.StatusConflict, "")
	case err != nil:
		s.opt.Log.Error("unlocking failed", "error", err)
		s.refusePage(w, r, http.StatusInternalServerError, s.say("refused.fault", nil), s.say("refused.fault.text", nil))
	default:
		s.gate.setCookie(w, r, sessionCookie, id, int(access.SessionLife.Seconds()))
		http.Redirect(w, r, backTo(r), http.StatusSeeOther)
	}
}

// postLock ends this browser's session, or all.
func (s *Server) postLock(w http.ResponseWriter, r *http.Request) {
	var err error
	if r.PostFormValue("all") != "" {
		err = s.gate.access.LockAll(r.Context())
	} else {
		err = s.gate.access.Lock(r.Context(), cookieValue(r, sessionCookie))
	}
	if err != nil {
		s.opt.Log.Error("locking failed", "error", err)
		s.refusePage(w, r, http.StatusInternalServerError, s.say("refused.fault", nil), s.say("refused.fault.text", nil))
		return
	}
	s.gate.setCookie(w, r, sessionCookie, "", -1)
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// postToken makes or takes back a token. The secret is shown once.
func (s *Server) postToken(w http.ResponseWriter, r *http.Request) {
	name := strings.TrimSpace(r.PostFormValue("name"))
	if r.PostFormValue("remove") != "" {
		if err := s.gate.access.RemoveToken(r.Context(), name); err != nil {
			s.refusePage(w, r, http.StatusConflict, s.say("refused", nil), sentence(err))
			return
		}
		s.leadTo(w, r, "/house", s.say("token.gone", nil))
		return
	}
	var scopes []access.Scope
	for _, v := range r.PostForm["scope"] {
		scopes = append(scopes, access.Scope(v))
	}
	plain, err := s.gate.access.NewToken(r.Context(), name, scopes)
	if err != nil {
		s.refusePage(w, r, http.StatusConflict, s.say("refused", nil), sentence(err))
		return
	}
	f := s.frame(w, r, s.say("token.new", nil), "house")
	share := ""
	if slices.Equal(scopes, []access.Scope{access.Read}) {
		share = s.say("token.share", text.Values{"link": shareLink(r, plain)})
	}
	s.render(w, http.StatusOK, "message", messagePage{frame: f, Heading: s.say("token.new", nil) + ": " + name, Text: s.say("token.once", text.Values{"token": plain}), Then: share, Back: "/house"})
}

// sentence makes an error's text stand alone.
func sentence(err error) string {
	s := err.Error()
	return strings.ToUpper(s[:1]) + s[1:] + "."
}

// backup sends the whole history as one file.
func (s *Server) backup(w http.ResponseWriter, r *http.Request) {
	dir, err := os.MkdirTemp("", "tidemark-backup-")
	if err != nil {
		s.historyFailed(w, r, err)
		return
	}
	defer func() { _ = os.RemoveAll(dir) }()
	file := filepath.Join(dir, "tidemark.db")
	if err := s.opt.History.Backup(r.Context(), file); err != nil {
		s.historyFailed(w, r, err)
		return
	}
	f, err := os.Open(file)
	if err != nil {
		s.historyFailed(w, r, err)
		return
	}
	defer f.Close()
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(slowTime)) // not every writer has deadlines
	w.Header().Set("Content-Type", "application/vnd.sqlite3")
	w.Header().Set("Content-Disposition", `attachment; filename="tidemark-`+s.opt.Now().In(s.zone()).Format("2006-01-02")+`.db"`)
	w.Header().Set("Cache-Control", "no-store")
	if _, err := io.Copy(w, f); err != nil {
		s.opt.Log.Warn("the backup was not fetched whole", "error", err)
	}
}
