package past

import (
	"fmt"

	"tidemark/history"
	"tidemark/web/say"
)

// Holdings says what a history holds.
func Holdings(m history.Summary, h say.House) string {
	text := fmt.Sprintf("%s, %s, %s", Counted(m.Rises, "rise"), Counted(int(m.Samples), "sample"), size(m.Bytes))
	if m.Rises > 0 {
		text += fmt.Sprintf(", from %s to %s", h.Date(m.First), h.Date(m.Last))
	}
	return text
}

// size writes a number of bytes.
func size(n int64) string {
	if n < 1e6 {
		return fmt.Sprintf("%d kB", (n+999)/1000)
	}
	return fmt.Sprintf("%.1f MB", float64(n)/1e6)
}

// Counted is a number with its word, in the plural where there is not one.
func Counted(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}
