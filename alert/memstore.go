package alert

import (
	"context"
	"slices"
	"sync"
	"time"
)

// MemStore is a Store in memory, for tests, replay and the demo. It forgets
// everything when the program ends.
type MemStore struct {
	mu      sync.Mutex
	alarms  map[string]Alarm
	letters map[string]Letter
	ended   map[int64]bool
}

// NewMemStore returns an empty store.
func NewMemStore() *MemStore {
	return &MemStore{alarms: map[string]Alarm{}, letters: map[string]Letter{}, ended: map[int64]bool{}}
}

// EndRise says that a rise is over: its resolved alarms are no longer open.
func (m *MemStore) EndRise(id int64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.ended[id] = true
}

// SaveAlarm implements Store.
func (m *MemStore) SaveAlarm(_ context.Context, a Alarm, letters []Letter) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.alarms[a.ID] = a
	for _, l := range letters {
		if m.letters[l.ID].State != LetterSent {
			m.letters[l.ID] = cloneLetter(l)
		}
	}
	return nil
}

// OpenAlarms implements Store.
func (m *MemStore) OpenAlarms(context.Context) ([]Alarm, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var open []Alarm
	for _, a := range m.alarms {
		if a.State != Resolved || (a.RiseID != 0 && !m.ended[a.RiseID]) {
			open = append(open, a)
		}
	}
	slices.SortFunc(open, func(a, b Alarm) int {
		if c := a.Since.Compare(b.Since); c != 0 {
			return c
		}
		return compareStrings(a.ID, b.ID)
	})
	return open, nil
}

// DueLetters implements Store.
func (m *MemStore) DueLetters(_ context.Context, now time.Time, limit int) ([]Letter, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var due []Letter
	for _, l := range m.letters {
		if l.State == LetterWaiting && !l.NotBefore.After(now) {
			due = append(due, cloneLetter(l))
		}
	}
	slices.SortFunc(due, func(a, b Letter) int {
		if c := a.CreatedAt.Compare(b.CreatedAt); c != 0 {
			return c
		}
		return compareStrings(a.ID, b.ID)
	})
	return due[:min(limit, len(due))], nil
}

// SaveLetter implements Store.
func (m *MemStore) SaveLetter(_ context.Context, l Letter) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if l.State == LetterWaiting && m.letters[l.ID].State == LetterWithdrawn {
		l.State = LetterWithdrawn
	}
	m.letters[l.ID] = cloneLetter(l)
	return nil
}

// WithdrawLetters implements Store.
func (m *MemStore) WithdrawLetters(_ context.Context, alarmID string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	for id, l := range m.letters {
		if l.AlarmID == alarmID && l.State == LetterWaiting {
			l.State = LetterWithdrawn
			m.letters[id] = l
		}
	}
	return nil
}

// Letters returns all letters, oldest first, for a look at what happened.
func (m *MemStore) Letters() []Letter {
	m.mu.Lock()
	defer m.mu.Unlock()
	var all []Letter
	for _, l := range m.letters {
		all = append(all, cloneLetter(l))
	}
	slices.SortFunc(all, func(a, b Letter) int {
		if c := a.CreatedAt.Compare(b.CreatedAt); c != 0 {
			return c
		}
		return compareStrings(a.ID, b.ID)
	})
	return all
}

// cloneLetter copies a letter with its body.
func cloneLetter(l Letter) Letter {
	l.Body = slices.Clone(l.Body)
	return l
}

// compareStrings orders two strings.
func compareStrings(a, b string) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}
