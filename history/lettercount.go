package history

import (
	"context"
	"database/sql"
	"errors"

	"tidemark/alert"
)

var _ alert.LetterCounter = (*Store)(nil)

// LetterCounts implements alert.LetterCounter. Letters that the disk refused
// count as they stand in memory.
func (s *Store) LetterCounts(ctx context.Context) (map[string]int, error) {
	out := map[string]int{}
	err := s.query(func(db *sql.DB) error {
		rows, err := db.QueryContext(ctx, "SELECT state, count(*) FROM letters GROUP BY state")
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var state string
			var n int
			if err := rows.Scan(&state, &n); err != nil {
				return err
			}
			out[state] = n
		}
		return rows.Err()
	})
	if err != nil {
		return nil, err
	}
	for _, h := range list(&s.held, &s.held.letters) {
		stored, err := s.storedState(ctx, h.ID)
		if err != nil {
			return nil, err
		}
		if out[stored] > 0 {
			out[stored]--
		}
		out[h.State]++
	}
	return out, nil
}

// storedState is the state of a letter in the file, empty when it is not there.
func (s *Store) storedState(ctx context.Context, id string) (state string, err error) {
	err = s.query(func(db *sql.DB) error {
		return db.QueryRowContext(ctx, "SELECT state FROM letters WHERE id = ?", id).Scan(&state)
	})
	if errors.Is(err, sql.ErrNoRows) {
		err = nil
	}
	return state, err
}
