package alert

import "context"

// LetterCounter is a Store that knows how many letters are in which state.
type LetterCounter interface {
	// LetterCounts returns the number of letters kept, by state. A state without
	// a letter may be missing.
	LetterCounts(ctx context.Context) (map[string]int, error)
}

// LetterCounts implements LetterCounter.
func (m *MemStore) LetterCounts(context.Context) (map[string]int, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	out := map[string]int{}
	for _, l := range m.letters {
		out[l.State]++
	}
	return out, nil
}
