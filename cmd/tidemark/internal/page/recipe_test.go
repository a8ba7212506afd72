package page

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

// TestRecipe: the tub's recipe by grams and percent, scaled to loaves, tub and starter.
// The figures are worked out by hand from its 1000 g of flour, 680 g of water, 200 g of
// starter at 100 percent and 20 g of salt; the tub holds 5.09 L, and 0.85 L a kilogram
// of dough are to double in 85 percent of that.
func TestRecipe(t *testing.T) {
	t.Parallel()
	s, _ := idle(t, nil)
	b := newBrowser(t, s)
	for _, x := range []struct {
		name string
		q    url.Values
		want []string
		code int
	}{
		{"as it stands", url.Values{}, []string{`name="flour0" type="text" inputmode="decimal" maxlength="9" aria-label="Bread flour" value="900"`, "68.0 %", "1900 g, 950 g a loaf", "71 % of all flour"}, 200},
		{"more water", url.Values{"water_g": {"75%"}}, []string{`value="750"`, "1970 g"}, 200},
		{"three loaves of 700 g", url.Values{"fit": {"loaves"}, "loaves": {"3"}, "each": {"700"}}, []string{"2100 g, 700 g a loaf", "<strong>995 g", "<strong>752 g"}, 200},
		{"150 g of starter", url.Values{"fit": {"hand"}, "hand": {"150"}}, []string{"<strong>675 g", "<strong>510 g", "<strong>150 g"}, 200},
		{"as much as the tub holds", url.Values{"fit": {"tub"}}, []string{"2545 g"}, 200},
		{"no number", url.Values{"water_g": {"much"}}, []string{"neither grams nor percent"}, 409},
		{"too hot", url.Values{"dough": {"35"}, "flour": {"5"}, "room": {"10"}}, []string{"above 40 °C it harms the yeast"}, 409},
		{"a mixer", url.Values{"by": {"stand mixer"}, "room": {"21"}, "flour": {"21"}, "dough": {"25"}}, []string{"Water to mix with"}, 200},
	} {
		t.Run(x.name, func(t *testing.T) {
			x.q.Set("vessel", "tub")
			w := b.get("/recipe?" + x.q.Encode())
			assert.Equal(t, x.code, w.Code)
			body := plainSpaces(w.Body.String())
			for _, want := range x.want {
				assert.Contains(t, body, want)
			}
		})
	}
	scaled := b.get("/recipe?vessel=tub&water_g=75%25&fit=hand&hand=100").Body.String()
	assert.Contains(t, scaled, `type="hidden" name="water_g" value="75%"`, "what was typed goes along")
	assert.Equal(t, http.StatusOK, b.get("/recipe").Code, "the usual recipe of no vessel")
}

// plainSpaces writes spaces that do not break, and narrow ones, as usual ones.
func plainSpaces(s string) string {
	return strings.NewReplacer("\u00a0", " ", "\u202f", " ").Replace(s)
}
