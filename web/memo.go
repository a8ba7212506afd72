package web

import "sync"

// memo keeps what was worked out last for each key; whoever asks meanwhile waits. The zero
// memo is empty; its method may be called by several goroutines.
type memo[K comparable, V any] struct {
	mu   sync.Mutex
	kept map[K]V
}

// mostKept bounds a memo: beyond it everything is worked out anew.
const mostKept = 300

// get returns what is kept for a key where it is still good, or works it out. An error
// leaves what was kept.
func (m *memo[K, V]) get(key K, good func(V) bool, work func() (V, error)) (V, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if v, ok := m.kept[key]; ok && good(v) {
		return v, nil
	}
	v, err := work()
	if err != nil {
		return m.kept[key], err
	}
	if m.kept == nil || len(m.kept) > mostKept {
		m.kept = map[K]V{}
	}
	m.kept[key] = v
	return v, nil
}
