package page

import (
	"encoding/json"
	"net/http"
	"net/url"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/web"
)

// TestAskedBack: what must have happened before is asked for; with the answer both are
// told. A browser without scripts gets a form for it.
func TestAskedBack(t *testing.T) {
	t.Parallel()
	s, k := idle(t, nil)
	b := newBrowser(t, s)
	w := b.post("/act", url.Values{"tap": {"fold|"}, "vessel": {"tub"}})
	assert.Equal(t, http.StatusConflict, w.Code)
	body := w.Body.String()
	assert.Contains(t, body, "You have not mixed yet. Mixed at?")
	assert.Contains(t, body, `name="first_at" required value="2026-03-14T16:20"`)
	assert.Contains(t, body, `name="tap" value="fold|"`)
	assert.Empty(t, k.told("tub"), "nothing is taken in before the answer")
	w = b.post("/act", url.Values{"tap": {"fold|"}, "vessel": {"tub"}, "first_at": {"2026-03-14T16:20"}})
	assert.Equal(t, http.StatusSeeOther, w.Code)
	assert.Equal(t, "start fold", k.told("tub"))

	r := request("POST", "/act", url.Values{"tap": {"begun|" + bake.BakeID}, "vessel": {"tub"}})
	r.Header.Set("Origin", "http://127.0.0.1:8080")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	r.Header.Set("Accept", "application/json")
	w = b.send(r)
	var p web.Problem
	require.NoError(t, json.Unmarshal(w.Body.Bytes(), &p))
	require.NotNil(t, p.Ask, w.Body.String())
	assert.Equal(t, "You have not shaped it yet. Shaped at?", p.Ask.Say)
}
