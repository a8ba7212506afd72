package page

import (
	"context"
	"fmt"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
)

// TestKeptPagesFollow: what is kept of the past to answer quickly follows every
// change at once: a judgement, an act and another rise.
func TestKeptPagesFollow(t *testing.T) {
	t.Parallel()
	s, store, ids := withPast(t, 24)
	b := newBrowser(t, s)
	common := func() string {
		_, rest, ok := strings.Cut(b.get("/rises").Body.String(), "What differed between judged loaves</h2>")
		require.True(t, ok)
		return rest
	}
	before := common()
	assert.Equal(t, before, common())
	for _, id := range ids {
		require.Equal(t, 303, b.post(fmt.Sprintf("/rises/%d/judgement", id), url.Values{"outcome": {"under"}}).Code)
	}
	assert.NotContains(t, b.get("/rises").Body.String(), "What differed", "all the same: nothing differs")

	path := fmt.Sprintf("/rises/%d", ids[0])
	chart := func() string {
		_, rest, ok := strings.Cut(b.get(path).Body.String(), `<figure id="r-chart"`)
		require.True(t, ok)
		svg, _, _ := strings.Cut(rest, "</figure>")
		return svg
	}
	drawn := chart()
	assert.Equal(t, drawn, chart())
	r, err := store.Rise(context.Background(), ids[0])
	require.NoError(t, err)
	_, err = store.AddEvent(context.Background(), bake.Event{RiseID: ids[0], At: r.StartedAt.Add(2 * 3600e9), Kind: "fridge", By: "page"})
	require.NoError(t, err)
	assert.Contains(t, chart(), "fridge")
	for _, id := range ids[1:] { // more than are kept
		b.get(fmt.Sprintf("/rises/%d", id))
	}
	assert.Contains(t, chart(), "fridge")
}

// BenchmarkPages prints the time of single pages, as a phone asks for them.
func BenchmarkPages(b *testing.B) {
	s, k := newServer(b, nil)
	ids := fill(b, k.store, 40, 1000)
	for name, path := range map[string]string{"now": "/", "list": "/rises", "rise": fmt.Sprintf("/rises/%d", ids[3]), "vessels": "/api/v1/vessels",
		"compare-4": fmt.Sprintf("/compare?id=%d&id=%d&id=%d&id=%d", ids[3], ids[6], ids[9], ids[12])} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				w := httptest.NewRecorder()
				s.ServeHTTP(w, request("GET", path, nil))
				if w.Code != 200 {
					b.Fatal(w.Code)
				}
			}
		})
	}
}
