package history

import (
	"os"
	"path/filepath"
	"testing"
	"time"
)

// FuzzRestore lays chance over a sound backup. Whatever it becomes, it is refused
// without a panic and in time, or it is restored and opens.
func FuzzRestore(f *testing.F) {
	whole, err := os.ReadFile(household(f, true))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(uint(0), []byte("SQLite format 3\x00"), uint(0))
	f.Add(uint(100), []byte{0x0d, 0, 0, 0, 1}, uint(0))
	f.Add(uint(60), []byte{0xff, 0xff, 0xff, 0xff}, uint(5000))
	f.Fuzz(func(t *testing.T, at uint, patch []byte, cut uint) {
		b := append([]byte(nil), whole...)
		copy(b[at%uint(len(b)):], patch)
		b = b[:uint(len(b))-cut%uint(len(b))]
		dir := t.TempDir()
		backup, place := filepath.Join(dir, "backup.db"), filepath.Join(dir, "tidemark.db")
		if err := os.WriteFile(backup, b, 0o600); err != nil {
			t.Fatal(err)
		}
		began := time.Now()
		_, refused := Check(t.Context(), backup)
		if took := time.Since(began); took > 20*time.Second {
			t.Fatalf("checked for %s", took)
		}
		if _, err := Restore(t.Context(), backup, place, t0); (err == nil) != (refused == nil) {
			t.Fatalf("checked: %v; restored: %v", refused, err)
		}
		if refused != nil {
			return
		}
		s, err := Open(t.Context(), place, Options{FlushEvery: time.Hour})
		if err != nil {
			t.Fatalf("a restored history does not open: %v", err)
		}
		if err := s.Close(t.Context()); err != nil {
			t.Fatal(err)
		}
	})
}
