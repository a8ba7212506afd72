package page

import (
	"bytes"
	"compress/gzip"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// linked finds what a page or a style sheet fetches.
var linked = regexp.MustCompile(`(?:href|src)="(/static/[^"]+|/manifest[^"]*|/icon[^"]*)"|url\("?([^")]+\.woff2[^")]*)"?\)`)

// TestFirstLoadIsLight: the page of a vessel and all that it fetches come to no more
// than 150 kB as they are, before any packing, at every stage of a full bake.
func TestFirstLoadIsLight(t *testing.T) {
	t.Parallel()
	s, k := newServer(t, nil)
	for range 3 {
		whole, parts := 0, map[string]int{}
		var fetch func(path string) string
		fetch = func(path string) string {
			w := do(s, request("GET", path, nil))
			require.Equal(t, 200, w.Code, path)
			var z bytes.Buffer
			g := gzip.NewWriter(&z)
			_, err := g.Write(w.Body.Bytes())
			require.NoError(t, err)
			require.NoError(t, g.Close())
			parts[path] = w.Body.Len()
			whole += w.Body.Len()
			body := w.Body.String()
			t.Logf("%-40s %7d, packed %7d", path, w.Body.Len(), z.Len())
			if path != "/?vessel=tub" && !strings.Contains(path, ".css") {
				return body
			}
			for _, m := range linked.FindAllStringSubmatch(body, -1) {
				next := m[1] + m[2]
				if !strings.HasPrefix(next, "/") {
					next = "/static/" + next
				}
				if _, had := parts[next]; !had {
					fetch(next)
				}
			}
			return body
		}
		fetch("/?vessel=tub")
		t.Logf("%d bytes at %s", whole, k.clock.Now())
		assert.LessOrEqual(t, whole, 150_000, "%v", parts)
		k.pass(3 * 60 * 60e9)
	}
}
