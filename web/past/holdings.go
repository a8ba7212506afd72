package past

import (
	"fmt"

	"tidemark/history"
	"tidemark/web/say"
)

// Holdings says what a history holds.
func Holdings(m history.Summary, h say.House) string {
	text := fmt.Sprintf("%s, %s, %.1f MB", Counted(m.Rises, "rise"), Counted(int(m.Samples), "sample"), float64(m.Bytes)/1e6)
	if m.Rises > 0 {
		text += fmt.Sprintf(", from %s to %s", h.Date(m.First), h.Date(m.Last))
	}
	return text
}

// Counted is a number with its word, in the plural where there is not one.
func Counted(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}
