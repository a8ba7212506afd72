package web

import "sync"

// memo keeps what was worked out last for each key; who asks for a key that is being
// worked out waits for it. The zero memo is empty; its method may be called by several
// goroutines.
type memo[K comparable, V any] struct {
	mu   sync.Mutex
	kept map[K]*kept[V]
}

type kept[V any] struct {
	mu sync.Mutex
	ok bool
	v  V
}

// mostKept bounds a memo: beyond it everything is worked out anew.
const mostKept = 300

// get returns what is kept for a key where it is still good, or works it out. An error
// leaves what was kept.
func (m *memo[K, V]) get(key K, good func(V) bool, work func() (V, error)) (V, error) {
	m.mu.Lock()
	x := m.kept[key]
	if x == nil {
		if m.kept == nil || len(m.kept) > mostKept {
			m.kept = map[K]*kept[V]{}
		}
		x = &kept[V]{}
		m.kept[key] = x
	}
	m.mu.Unlock()
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.ok && good(x.v) {
		return x.v, nil
	}
	v, err := work()
	if err == nil {
		x.v, x.ok = v, true
	}
	return x.v, err
}
