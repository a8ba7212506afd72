package web

import (
	"context"
	"crypto/rand"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"time"

	"tidemark/alert/text"
	"tidemark/history"
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
	ID      string
	Name    string // as the browser called it
	Until   time.Time
	Against history.Preview
	file    string
}

// staged keeps at most one; a newer one takes its place.
type staged struct {
	mu   sync.Mutex
	last stagedBackup
	busy sync.Mutex // one upload at a time bounds disk and time
}

// put keeps a backup, none for the zero one, and removes the one before.
func (o *staged) put(x stagedBackup) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.last.file != "" {
		_ = os.Remove(o.last.file)
	}
	o.last = x
}

// stagedOf finds the offer a path names. One that nobody answered is forgotten.
func (s *Server) stagedOf(r *http.Request) (stagedBackup, error) {
	s.staged.mu.Lock()
	x := s.staged.last
	s.staged.mu.Unlock()
	if x.ID != r.PathValue("offer") || s.opt.Now().After(x.Until) {
		return x, missing{"restore.gone", text.Values{"span": stagedFor}}
	}
	return x, nil
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

// postRestore takes a backup from the page in, checks it and leads to the question.
func (s *Server) postRestore(w http.ResponseWriter, r *http.Request) error {
	if !s.staged.busy.TryLock() {
		return refuse("busy", nil)
	}
	defer s.staged.busy.Unlock()
	file, name, _, err := s.spool(w, r, "backup", s.opt.BackupsMax, 2)
	if err != nil {
		return err
	}
	x := stagedBackup{ID: rand.Text(), file: file, Name: filepath.Base(name), Until: s.opt.Now().Add(stagedFor)}
	if x.Against, err = s.opt.Upkeep.CheckBackup(r.Context(), file); err != nil {
		_ = os.Remove(file)
		return err
	}
	s.staged.put(x)
	time.AfterFunc(stagedFor, func() { _ = os.Remove(file) })
	http.Redirect(w, r, "/house/restores/"+x.ID, http.StatusSeeOther)
	return nil
}

// restorePage says what a backup holds and asks.
type restorePage struct {
	frame
	stagedBackup
}

// pageRestore shows what would be replaced.
func (s *Server) pageRestore(w http.ResponseWriter, r *http.Request) error {
	x, err := s.stagedOf(r)
	if err != nil {
		return err
	}
	return s.render(w, http.StatusOK, "restore", restorePage{s.frame(w, r, s.say("restore", nil), "house"), x})
}

// postTakeRestore does what was answered. Whoever asked may go away meanwhile; half of it
// would help nobody.
func (s *Server) postTakeRestore(w http.ResponseWriter, r *http.Request) error {
	x, err := s.stagedOf(r)
	if err != nil {
		return err
	}
	if r.PostFormValue("answer") != "take" {
		s.staged.put(stagedBackup{})
		return s.leadTo(w, r, "/house", s.say("restore.left", nil))
	}
	if !s.staged.busy.TryLock() {
		return refuse("busy", nil)
	}
	defer s.staged.busy.Unlock()
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(slowTime)) // not every writer has deadlines
	ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), slowTime)
	defer cancel()
	if err := s.opt.Upkeep.TakeBackup(ctx, x.file); err != nil {
		return err
	}
	s.staged.put(stagedBackup{})
	s.opt.Log.Info("a backup took the place of the history", "by", s.byWhom(r))
	return s.leadTo(w, r, "/house", s.say("restore.said", nil))
}
