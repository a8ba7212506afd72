package web

import (
	"context"
	"crypto/rand"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"tidemark/alert/text"
	"tidemark/history"
	"tidemark/web/past"
)

// Upkeep exchanges and fills the history while the watch goes on. The wiring
// implements it.
type Upkeep interface {
	// CheckBackup checks a file and says what would change if it took the place
	// of the history. It changes nothing. A file that is of no use is a Refusal.
	CheckBackup(ctx context.Context, file string) (history.Preview, error)
	// TakeBackup puts a backup in the place of the history. On an error nothing
	// changed.
	TakeBackup(ctx context.Context, file string) error
	// ImportRecord reads a record into the history as a rise that ended. A record
	// that is wrong anywhere is a Refusal and leaves nothing.
	ImportRecord(ctx context.Context, r Record) (Imported, error)
	// Taught returns of how many past rises each vessel has learned, only those that have.
	Taught(ctx context.Context) (map[string]int, error)
	// Unlearn forgets what past rises and sensor of a vessel taught.
	Unlearn(ctx context.Context, vessel string) error
}

// stagedFor is how long a checked backup waits for an answer.
const stagedFor = 30 * time.Minute

// stagedBackup is a backup that was checked and waits for an answer.
type stagedBackup struct {
	id      string
	file    string
	name    string // as the browser called it
	against history.Preview
	until   time.Time
}

// staged keeps at most one; a newer one takes its place.
type staged struct {
	mu   sync.Mutex
	last *stagedBackup
	end  *time.Timer
	busy sync.Mutex // one upload at a time bounds disk and time
}

// put keeps a backup and forgets the one before.
func (o *staged) put(x *stagedBackup) {
	o.drop("")
	o.mu.Lock()
	defer o.mu.Unlock()
	o.last, o.end = x, time.AfterFunc(stagedFor, func() { o.drop(x.id) })
}

// get returns the backup of a name, if it still waits.
func (o *staged) get(id string, now time.Time) (stagedBackup, bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.last == nil || o.last.id != id || now.After(o.last.until) {
		return stagedBackup{}, false
	}
	return *o.last, true
}

// drop forgets the backup of a name, or any for none, and removes its file.
func (o *staged) drop(id string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.last == nil || id != "" && id != o.last.id {
		return
	}
	o.end.Stop()
	_ = os.Remove(o.last.file)
	o.last = nil
}

// sweepUploads removes what a run before left in the upload folder.
func sweepUploads(dir string) {
	old, _ := filepath.Glob(filepath.Join(dir, "tidemark-upload-*")) // the pattern is sound
	for _, f := range old {
		if info, err := os.Stat(f); err == nil && time.Since(info.ModTime()) > slowTime+stagedFor {
			_ = os.Remove(f)
		}
	}
}

// stageBackup takes an uploaded backup in and checks it.
func (s *Server) stageBackup(w http.ResponseWriter, r *http.Request) (stagedBackup, error) {
	if !s.staged.busy.TryLock() {
		return stagedBackup{}, refuse("busy", nil)
	}
	defer s.staged.busy.Unlock()
	u := upload{field: "backup", limit: s.opt.BackupsMax}
	file, name, _, err := s.spool(w, r, u, 2)
	if err != nil {
		return stagedBackup{}, err
	}
	against, err := s.opt.Upkeep.CheckBackup(r.Context(), file)
	if err != nil {
		_ = os.Remove(file)
		return stagedBackup{}, err
	}
	x := stagedBackup{id: rand.Text(), file: file, name: filepath.Base(name), against: against, until: s.opt.Now().Add(stagedFor)}
	s.staged.put(&x)
	return x, nil
}

// restoreStaged puts an offered backup in the place of the history. Whoever asked may
// go away meanwhile; half of it would help nobody.
func (s *Server) restoreStaged(r *http.Request, x stagedBackup) error {
	if !s.staged.busy.TryLock() {
		return refuse("busy", nil)
	}
	defer s.staged.busy.Unlock()
	ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), slowTime)
	defer cancel()
	if err := s.opt.Upkeep.TakeBackup(ctx, x.file); err != nil {
		return err
	}
	s.staged.drop(x.id)
	s.opt.Log.Info("a backup took the place of the history", "by", s.byWhom(r))
	return nil
}

// stagedOf finds the offer a path names.
func (s *Server) stagedOf(r *http.Request) (stagedBackup, error) {
	x, ok := s.staged.get(r.PathValue("offer"), s.opt.Now())
	if !ok {
		return x, missing{"restore.gone", text.Values{"span": stagedFor}}
	}
	return x, nil
}

// postRestore takes a backup from the page in and leads to the question.
func (s *Server) postRestore(w http.ResponseWriter, r *http.Request) error {
	x, err := s.stageBackup(w, r)
	if err != nil {
		return err
	}
	http.Redirect(w, r, "/house/restores/"+x.id, http.StatusSeeOther)
	return nil
}

// restorePage says what a backup holds and asks.
type restorePage struct {
	frame
	ID, Name        string
	Holds, Replaces string
	Lost, Stays     string
	Until           string
}

// pageRestore shows what would be replaced.
func (s *Server) pageRestore(w http.ResponseWriter, r *http.Request) error {
	x, err := s.stagedOf(r)
	if err != nil {
		return err
	}
	a := x.against
	p := restorePage{frame: s.frame(w, r, s.say("restore", nil), "house"), ID: x.id, Name: x.name, Holds: past.Holdings(a.Backup, s.words), Replaces: past.Holdings(a.Present, s.words),
		Stays: s.staying(a.UnderWay), Until: s.words.Clock(x.until)}
	if a.Missing > 0 {
		p.Lost = s.words.SayN("page.restore.lost", a.Missing, text.Values{"date": s.words.Date(a.Last)})
	}
	return s.render(w, http.StatusOK, "restore", p)
}

// postTakeRestore does what was answered.
func (s *Server) postTakeRestore(w http.ResponseWriter, r *http.Request) error {
	x, err := s.stagedOf(r)
	if err != nil {
		return err
	}
	if r.PostFormValue("answer") != "take" {
		s.staged.drop(x.id)
		return s.leadTo(w, r, "/house", s.say("restore.left", nil))
	}
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(slowTime)) // not every writer has deadlines
	if err := s.restoreStaged(r, x); err != nil {
		return err
	}
	return s.leadTo(w, r, "/house", s.say("restore.said", nil))
}

// staying says which rises go on; empty for none.
func (s *Server) staying(vessels []string) string {
	if len(vessels) == 0 {
		return ""
	}
	return s.say("restore.stays", text.Values{"vessels": strings.Join(vessels, ", ")})
}
