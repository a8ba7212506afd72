package page

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestAPlanKeepsClearOfAnAbsence: the page's plan has no work of hands while nobody is
// there, and the form remembers it.
func TestAPlanKeepsClearOfAnAbsence(t *testing.T) {
	s, _ := idle(t, nil)
	b := newBrowser(t, s)
	q := url.Values{"vessel": {"tub"}, "ready": {"2026-03-15T19:00"}, "air": {"21"}, "away_from": {"2026-03-15T08:00"}, "away_until": {"2026-03-15T12:00"}}
	w := b.get("/plan?" + q.Encode())
	require.Equal(t, http.StatusOK, w.Code, w.Body.String())
	assert.Contains(t, w.Body.String(), `name="away_from" type="datetime-local" value="2026-03-15T08:00"`)
	q.Del("away_until")
	assert.Equal(t, http.StatusConflict, b.get("/plan?"+q.Encode()).Code)
	without := b.get("/plan?" + url.Values{"vessel": {"tub"}, "ready": {"2026-03-15T19:00"}, "air": {"21"}}.Encode()).Body.String()
	assert.NotEqual(t, strings.Count(without, "<tr>"), 0)
}
