package page

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestARecipeIsKept: a recipe with a flour of the household's own is kept under a name,
// taken again on its page and in the next plan, and taken out.
func TestARecipeIsKept(t *testing.T) {
	t.Parallel()
	s, _ := idle(t, nil)
	b := newBrowser(t, s)
	q := url.Values{"vessel": {"tub"}, "own0": {"spelt"}, "own0_whole": {"1"}, "flour2": {"150"}, "water_g": {"70%"}}
	body := plainSpaces(b.get("/recipe?" + q.Encode()).Body.String())
	for _, want := range []string{">Spelt<", `value="805"`, `name="own0" value="spelt"`, `name="own1"`, `name="flour3"`} { // 70 % of 1150 g
		assert.True(t, strings.Contains(body, want), want)
	}
	q.Set("name", "Harbour spelt")
	w := b.post("/recipe", q)
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	body = plainSpaces(b.get(w.Header().Get("Location")).Body.String())
	for _, want := range []string{"Harbour spelt is kept.", ">Spelt<", `value="805"`, "<option selected>Harbour spelt</option>"} {
		assert.True(t, strings.Contains(body, want), want)
	}
	plan := "/plan?ready=2026-03-16T13:00&air=22&vessel=tub&recipe="
	assert.Contains(t, b.get("/plan?vessel=tub&recipe=Harbour+spelt").Body.String(), "<option selected>Harbour spelt</option>")
	w = b.get(plan + "Harbour+spelt")
	require.Equal(t, http.StatusOK, w.Code)
	require.Equal(t, http.StatusSeeOther, b.post("/act", formOf(t, w.Body.String())).Code)
	assert.Contains(t, b.get("/?vessel=tub").Body.String(), "Harbour spelt", "the bake is of it")
	assert.Equal(t, http.StatusConflict, b.get(plan+"none").Code)
	q.Set("name", " ")
	assert.Equal(t, http.StatusConflict, b.post("/recipe", q).Code, "without a name")
	require.Equal(t, http.StatusSeeOther, b.post("/recipe", url.Values{"remove": {"Harbour spelt"}, "vessel": {"tub"}}).Code)
	assert.NotContains(t, b.get("/recipe?vessel=tub").Body.String(), "<option>Harbour spelt")
	closed, _, _ := locked(t, true)
	assert.NotEqual(t, http.StatusSeeOther, newBrowser(t, closed).post("/recipe", q).Code, "it is locked")
}
