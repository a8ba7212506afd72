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
	Snapshot
	Locked   bool // a passphrase is set
	Session  bool // this browser is unlocked
	Tokens   []access.Token
	Problems []string
	Clock    string // a key of the catalogue
	Zone     *time.Location
}

// pageService shows how the household's tidemark is set up.
func (s *Server) pageService(w http.ResponseWriter, r *http.Request) error {
	snap := s.opt.Live.Snapshot()
	p := servicePage{frame: s.frame(w, r, s.say("house", nil), "house"), Snapshot: snap, Locked: s.access.Locked(r.Context()), Session: s.ask(r).session,
		Problems: s.problems(snap), Clock: "house.clock24", Zone: s.zone()}
	if s.words.Locale().Clock12 {
		p.Clock = "house.clock12"
	}
	if p.CanAct {
		p.Tokens = s.access.Tokens(r.Context())
	}
	return s.render(w, http.StatusOK, "service", p)
}

// unlockPage asks for the passphrase, or for the first one with the code.
type unlockPage struct {
	frame
	To     string
	Wrong  string
	NotSet bool
}

// pageUnlock shows the form.
func (s *Server) pageUnlock(w http.ResponseWriter, r *http.Request) error {
	return s.showUnlock(w, r, http.StatusOK, "")
}

func (s *Server) showUnlock(w http.ResponseWriter, r *http.Request, status int, wrong string) error {
	return s.render(w, status, "unlock", unlockPage{frame: frame{Title: s.say("unlock", nil) + " · tidemark"}, To: localPath(r.FormValue("to")), Wrong: wrong, NotSet: !s.access.Locked(r.Context())})
}

// postUnlock checks the passphrase and opens a session.
func (s *Server) postUnlock(w http.ResponseWriter, r *http.Request) error {
	id, err := s.access.Unlock(r.Context(), r.PostFormValue("passphrase"), asker(r))
	if err == nil {
		s.letIn(w, r, id)
		http.Redirect(w, r, backTo(r), http.StatusSeeOther)
		return nil
	}
	status, wrong, err := s.keptOut(w, err)
	if err != nil {
		return err
	}
	return s.showUnlock(w, r, status, wrong)
}

// letIn unlocks a browser by its session.
func (s *Server) letIn(w http.ResponseWriter, r *http.Request, session string) {
	s.setCookie(w, r, sessionCookie, session, int(access.SessionLife.Seconds()))
}

// keptOut says why a passphrase or a code does not let anybody in; it returns what is a fault.
func (s *Server) keptOut(w http.ResponseWriter, err error) (status int, wrong string, fault error) {
	wrong, ok := why(s.words, err)
	switch {
	case !ok:
		return 0, "", err
	case errors.Is(err, access.ErrTooMany):
		w.Header().Set("Retry-After", "30")
		return http.StatusTooManyRequests, wrong, nil
	case errors.Is(err, access.ErrWrong):
		return http.StatusForbidden, wrong, nil
	}
	return http.StatusConflict, wrong, nil
}

// postLock ends this browser's session, or all.
func (s *Server) postLock(w http.ResponseWriter, r *http.Request) error {
	var err error
	if r.PostFormValue("all") != "" {
		err = s.access.LockAll(r.Context())
	} else {
		err = s.access.Lock(r.Context(), cookieValue(r, sessionCookie))
	}
	if err != nil {
		return err
	}
	s.setCookie(w, r, sessionCookie, "", -1)
	http.Redirect(w, r, "/", http.StatusSeeOther)
	return nil
}

// postToken makes or takes back a token. The secret is shown once.
func (s *Server) postToken(w http.ResponseWriter, r *http.Request) error {
	name := strings.TrimSpace(r.PostFormValue("name"))
	if r.PostFormValue("remove") != "" {
		if err := s.access.RemoveToken(r.Context(), name); err != nil {
			return err
		}
		return s.leadTo(w, r, "/house", s.say("token.gone", nil))
	}
	var scopes []access.Scope
	for _, v := range r.PostForm["scope"] {
		scopes = append(scopes, access.Scope(v))
	}
	plain, err := s.access.NewToken(r.Context(), name, scopes)
	if err != nil {
		return err
	}
	f := s.frame(w, r, s.say("token.new", nil), "house")
	share := ""
	if slices.Equal(scopes, []access.Scope{access.Read}) {
		share = s.say("token.share", text.Values{"link": shareLink(r, plain)})
	}
	return s.render(w, http.StatusOK, "message", messagePage{frame: f, Heading: s.say("token.new", nil) + ": " + name, Text: s.say("token.once", text.Values{"token": plain}), Then: share, Back: "/house"})
}

// backup sends the whole history as one file.
func (s *Server) backup(w http.ResponseWriter, r *http.Request) error {
	dir, err := os.MkdirTemp("", "tidemark-backup-")
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	file := filepath.Join(dir, "tidemark.db")
	if err := s.opt.History.Backup(r.Context(), file); err != nil {
		return err
	}
	f, err := os.Open(file)
	if err != nil {
		return err
	}
	defer f.Close()
	attachment(w, "application/vnd.sqlite3", "tidemark-"+s.opt.Now().In(s.zone()).Format("2006-01-02")+".db")
	if _, err := io.Copy(w, f); err != nil {
		s.opt.Log.Warn("the backup was not fetched whole", "error", err)
	}
	return nil
}
