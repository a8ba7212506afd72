package web

import (
	"fmt"
	"strings"

	"tidemark/history"
	"tidemark/web/say"
)

// holdings says what a history holds.
func holdings(m history.Summary, h say.House) string {
	text := fmt.Sprintf("%s, %s, %.1f MB", counted(m.Rises, "rise"), counted(int(m.Samples), "sample"), float64(m.Bytes)/1e6)
	if m.Rises > 0 {
		text += fmt.Sprintf(", from %s to %s", h.Date(m.First), h.Date(m.Last))
	}
	return text
}

// counted is a number with its word, in the plural where there is not one.
func counted(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

func isAre(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

// staying says which rises go on.
func staying(vessels []string) string {
	switch len(vessels) {
	case 0:
		return ""
	case 1:
		return "The rise under way in " + vessels[0] + " goes on."
	}
	last := len(vessels) - 1
	return "The rises under way in " + strings.Join(vessels[:last], ", ") + " and " + vessels[last] + " go on."
}
