// Package accesstest holds the double of the store for tests of logins and of the
// window for setting up.
package accesstest

import (
	"context"
	"fmt"
	"sync"

	"tidemark/history"
)

// Settings are kept in memory. Get and Set may be called by several goroutines; make
// them with NewSettings.
type Settings struct {
	mu  sync.Mutex
	M   map[string][]byte // what is kept, for looking while nobody calls
	Err error             // what each call ends with; nil for success
}

// NewSettings returns settings without an entry.
func NewSettings() *Settings { return &Settings{M: map[string][]byte{}} }

// Get returns a setting, or history.ErrNotFound.
func (s *Settings) Get(_ context.Context, key string) ([]byte, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.Err != nil {
		return nil, s.Err
	}
	v, ok := s.M[key]
	if !ok {
		return nil, fmt.Errorf("%w: setting %q", history.ErrNotFound, key)
	}
	return v, nil
}

// Set keeps a setting.
func (s *Settings) Set(_ context.Context, key string, value []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.Err != nil {
		return s.Err
	}
	s.M[key] = value
	return nil
}
