package access

import (
	"context"
	"fmt"
	"sync"

	"tidemark/history"
)

// Memory keeps Settings until the process ends. Make one with NewMemory.
type Memory struct {
	mu     sync.Mutex
	values map[string][]byte
}

// NewMemory returns settings without an entry.
func NewMemory() *Memory { return &Memory{values: map[string][]byte{}} }

// Get returns a value, or history.ErrNotFound.
func (m *Memory) Get(_ context.Context, key string) ([]byte, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	v, ok := m.values[key]
	if !ok {
		return nil, fmt.Errorf("%w: setting %q", history.ErrNotFound, key)
	}
	return v, nil
}

// Set keeps a value.
func (m *Memory) Set(_ context.Context, key string, value []byte) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.values[key] = value
	return nil
}
