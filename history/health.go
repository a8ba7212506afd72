package history

import (
	"slices"
	"sync"
	"time"
)

// status collects what Health tells.
type status struct {
	mu       sync.Mutex
	problem  string
	since    time.Time
	commit   time.Time
	inMemory bool
	setAside string
	notes    []string
	damaged  error // a reader met damage that the writer has not dealt with yet
}

// wrote takes the result of a write.
func (st *status) wrote(err error, now time.Time) {
	st.mu.Lock()
	defer st.mu.Unlock()
	switch {
	case err == nil:
		st.commit = now
		if !st.inMemory {
			st.problem = ""
		}
	case isRefusal(err) || isDamage(err):
		if st.problem == "" {
			st.since = now
		}
		if !st.inMemory {
			st.problem = "The history is not reaching the disk: " + inWords(err) + "."
		}
	}
}

// note keeps a finding; the last twenty stay.
func (st *status) note(n string) {
	st.mu.Lock()
	defer st.mu.Unlock()
	st.notes = append(st.notes, n)
	if len(st.notes) > 20 {
		st.notes = slices.Clone(st.notes[len(st.notes)-20:])
	}
}

// Health says whether the history reaches the disk.
func (s *Store) Health() Health {
	waiting, dropped := s.buf.counts()
	s.status.mu.Lock()
	defer s.status.mu.Unlock()
	st := &s.status
	return Health{
		Problem: st.problem, Since: st.since, InMemory: st.inMemory,
		WaitingRows: waiting, DroppedRows: dropped, HeldWrites: s.held.count(),
		LastCommit: st.commit, SetAside: st.setAside, Notes: slices.Clone(st.notes),
	}
}

// suspect notes that a reader met damage and wakes the writer.
func (s *Store) suspect(err error) {
	s.status.mu.Lock()
	s.status.damaged = err
	s.status.mu.Unlock()
	s.FlushSoon()
}

// takeSuspicion returns and clears what suspect noted.
func (s *Store) takeSuspicion() error {
	s.status.mu.Lock()
	defer s.status.mu.Unlock()
	err := s.status.damaged
	s.status.damaged = nil
	return err
}

// passed notes a pass of the writer that had nothing to write.
func (st *status) passed(now time.Time) {
	st.mu.Lock()
	defer st.mu.Unlock()
	st.commit = now
}
