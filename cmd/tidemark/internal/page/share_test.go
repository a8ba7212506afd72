package page

import (
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestALinkToLook: who has the link may look and change nothing, until the token is
// taken back; a token that may do more makes no link.
func TestALinkToLook(t *testing.T) {
	t.Parallel()
	s, k, _ := locked(t, false)
	owner := newBrowser(t, s)
	require.Equal(t, http.StatusSeeOther, owner.unlock(phrase).Code)
	made := func(name string, scopes ...string) string {
		body := owner.post("/tokens", url.Values{"name": {name}, "scope": scopes}).Body.String()
		if m := regexp.MustCompile(`https?://[^ ]*(/share/\S+)`).FindStringSubmatch(body); m != nil {
			return m[1]
		}
		m := regexp.MustCompile(`only this once: (\S+)`).FindStringSubmatch(body)
		require.NotNil(t, m, body)
		return "no link: " + m[1]
	}
	guest := newBrowser(t, s)
	require.Equal(t, http.StatusSeeOther, guest.get("/").Code, "locked")
	link := made("aunt", "read")
	w := guest.get(link)
	require.Equal(t, http.StatusSeeOther, w.Code, link)
	assert.Equal(t, "/", w.Header().Get("Location"))
	w = guest.get("/?vessel=tub")
	require.Equal(t, http.StatusOK, w.Code)
	assert.NotContains(t, w.Body.String(), `data-key="main"`)
	before := k.told("tub")
	r := request("POST", "/act", url.Values{"kind": {"fold"}, "vessel": {"tub"}})
	r.Header.Set("Origin", "http://127.0.0.1:8080")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	assert.Contains(t, []int{http.StatusSeeOther, http.StatusUnauthorized, http.StatusForbidden}, guest.send(r).Code)
	assert.Equal(t, before, k.told("tub"))
	assert.NotEqual(t, http.StatusOK, guest.get("/api/v1/backup").Code)

	more := made("shelf", "read", "act")
	require.True(t, strings.HasPrefix(more, "no link: "), more)
	assert.Equal(t, http.StatusNotFound, newBrowser(t, s).get("/share/"+strings.TrimPrefix(more, "no link: ")).Code, "a token that may act is no link")
	owner.post("/tokens", url.Values{"name": {"aunt"}, "remove": {"1"}})
	assert.Equal(t, http.StatusSeeOther, guest.get("/").Code, "taken back")
}
