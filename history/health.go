package history

import (
	"fmt"
	"slices"
	"sync"
	"time"
)

// Health says whether what is watched also reaches the disk.
type Health struct {
	Problem     string    // in words; empty when all is well
	Since       time.Time // when the problem began
	InMemory    bool      // no file could be opened for writing: what is new is lost at the stop
	WaitingRows int       // samples not yet written
	HeldWrites  int       // other records held in memory because the disk refused them
	DroppedRows int64     // samples given up because memory was full
	LastCommit  time.Time // last successful pass of the writer, even an empty one
	Quarantine  string    // where a damaged, newer or foreign file was put; empty when none was
	Notes       []string  // what opening found, for the log and the page
}

// OK reports whether there is no problem.
func (h Health) OK() bool { return h.Problem == "" }

// status collects what Health tells.
type status struct {
	mu         sync.Mutex
	problem    string
	since      time.Time
	commit     time.Time
	inMemory   bool
	quarantine string
	notes      []string
	damaged    error // a reader met damage that the writer has not dealt with yet
}

// Health says whether the history reaches the disk.
func (s *Store) Health() Health {
	waiting, dropped := s.queue.counts()
	st := &s.status
	st.mu.Lock()
	defer st.mu.Unlock()
	return Health{
		Problem: st.problem, Since: st.since, InMemory: st.inMemory,
		WaitingRows: waiting, DroppedRows: dropped, HeldWrites: s.pending.count(),
		LastCommit: st.commit, Quarantine: st.quarantine, Notes: slices.Clone(st.notes),
	}
}

// change changes the status.
func (st *status) change(fn func(st *status)) {
	st.mu.Lock()
	defer st.mu.Unlock()
	fn(st)
}

// wrote takes the result of a write.
func (st *status) wrote(err error, now time.Time) {
	st.change(func(st *status) {
		switch {
		case err == nil:
			st.commit, st.problem = now, ""
		case st.inMemory || !isRefusal(err) && !isDamage(err):
		default:
			if st.problem == "" {
				st.since = now
			}
			st.problem = "The history is not reaching the disk: " + inWords(err) + "."
		}
	})
}

// fellBack notes that there is no file to write to.
func (st *status) fellBack(problem string, now time.Time) {
	st.change(func(st *status) { st.inMemory, st.problem, st.since = true, problem, now })
}

// note keeps a finding for Health, the last twenty, and logs it.
func (s *Store) note(format string, args ...any) {
	n := fmt.Sprintf(format, args...)
	s.opt.Log.Warn("history: " + n)
	s.status.change(func(st *status) {
		st.notes = append(st.notes, n)
		st.notes = slices.Clone(st.notes[max(0, len(st.notes)-20):])
	})
}

// suspect notes that a reader met damage and wakes the writer.
func (s *Store) suspect(err error) {
	s.status.change(func(st *status) { st.damaged = err })
	s.FlushSoon()
}

// takeSuspicion returns and clears what suspect noted.
func (s *Store) takeSuspicion() (err error) {
	s.status.change(func(st *status) { err, st.damaged = st.damaged, nil })
	return err
}
