package page

import (
	"encoding/json"
	"math"
	"net/http"
	"net/url"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/web"
)

// bread shows a loaf that cools in the tub, a basket that stands for its proof, and a
// starter that is weak.
func bread(s *web.Snapshot) {
	at := func(m int) time.Time { return s.At.Add(time.Duration(m) * time.Minute) }
	tub, jar, basket := &s.Vessels[0].State, &s.Vessels[1].State, &s.Vessels[2].State
	tub.RiseID, tub.Estimate.Phase, tub.Estimate.PhaseSince = 0, estimator.Ended, at(-200)
	tub.After = &bake.After{Stage: bake.Cooling, Since: at(-30), Until: estimator.Window{From: at(50), Median: at(60), Until: at(70)},
		Why: bake.Sentences{{Key: "why.probe"}}, Probe: true, CoreC: 61.2, Done: bake.Core{LowC: 93, BestC: 96, MostC: 98}, DoneAt: at(-40), SliceC: 35,
		Caution: bake.Sentences{{Key: "caution.loaf"}}}
	feed := bake.NewFeed(at(-240), 2, 100, 0)
	jar.Feed = feed.Ratio()
	jar.Care = &bake.Care{Feed: feed, Peak: estimator.Window{From: at(10), Median: at(40), Until: at(90)}, UseFrom: at(5), UseUntil: at(100),
		Hungry: estimator.Window{From: at(200), Median: at(240), Until: at(290)}, NextFeed: at(200), Basis: bake.Sentences{{Key: "why.care.many", Values: bake.Values{"feeds": 4}}}}
	jar.Findings = bake.Diagnose([]bake.PastFeed{weak(feed), weak(feed), weak(feed)})
	basket.ProofOf, basket.ProofBasis = "tub", bake.BasketBasis
	for i := range s.Vessels {
		s.Vessels[i].State = s.Vessels[i].Derived()
	}
}

// withBread is a server that shows bread, changed once more.
func withBread(t testing.TB, more func(*web.Snapshot)) (*web.Server, *kitchen) {
	return newServer(t, func(o *web.Options) {
		o.Live = edited{o.Live, func(s *web.Snapshot) {
			bread(s)
			if more != nil {
				more(s)
			}
		}}
	})
}

// weak is an invented feed that did not double at 18 C.
func weak(f bake.Feed) bake.PastFeed {
	return bake.PastFeed{Feed: f, MeanC: 18, PeakHours: 9, PeakPercent: 60, LateHours: math.NaN()}
}

func TestPageShowsTheBakeAndTheCare(t *testing.T) {
	t.Parallel()
	s, _ := withBread(t, nil)
	b := newBrowser(t, s)
	for vessel, wants := range map[string][]string{
		"tub": {"Ready to cut about", `<p class="big">18:20</p>`, "Its core is at 61 °C; below 35 °C it cuts cleanly."},
		"jar": {"1 : 2 : 2", "In this jar it does not double.", "<ol><li>First: how old is it?",
			"<dt>Mould, or a strange colour</dt><dd><strong>Throw it away.</strong>", "<dt>Grey or black liquid on top</dt><dd><strong>Hungry.</strong>",
			"Best from now on", "Feed it by then"},
	} {
		page := b.get("/?vessel=" + vessel).Body.String()
		for _, want := range wants {
			assert.Contains(t, page, want)
		}
	}
}

// TestAShapedLoafIsNotFolded: the basket of a final proof offers what makes sense
// there, and is never shown first.
func TestAShapedLoafIsNotFolded(t *testing.T) {
	t.Parallel()
	s, _ := withBread(t, func(s *web.Snapshot) {
		v := s.Vessels
		v[2].RiseID, v[2].Estimate.Phase = 9, estimator.Rising
		v[2].State = v[2].Derived()
		v[0], v[2] = v[2], v[0]
	})
	b := newBrowser(t, s)
	assert.NotContains(t, b.get("/").Body.String(), `data-vessel="basket"`)
	own := b.get("/?vessel=basket").Body.String()
	assert.Contains(t, own, ">Emptied</button>")
	assert.NotContains(t, own, ">Folded</button>")
}

func TestFedWithOtherAmounts(t *testing.T) {
	t.Parallel()
	s, k := newServer(t, nil)
	b := newBrowser(t, s)
	form := url.Values{"kind": {"fed"}, "vessel": {"jar"}, "starter_g": {"10"}, "flour_g": {"50"}, "water_g": {"45,5"}}
	require.Equal(t, http.StatusSeeOther, b.post("/act", form).Code)
	require.Equal(t, "fed", k.told("jar"))
	assert.Equal(t, &bake.Feed{StarterG: 10, FlourG: 50, WaterG: 45.5}, k.last("jar").Feed)
	assert.Equal(t, "fed", k.told("jar"))
}

func TestAPITellsTheBakeAndTheCare(t *testing.T) {
	t.Parallel()
	_, router := spec(t)
	s, k := withBread(t, nil)
	type vessel struct {
		State struct {
			After *struct {
				Stage string
				CoreC *float64 `json:"core_c"`
				Until struct{ Median string }
			}
			Care *struct {
				NextFeed string `json:"next_feed"`
			}
			Findings []struct{ Do []string }
			ProofOf  string `json:"proof_of"`
		}
	}
	var tub, jar, basket vessel
	for name, into := range map[string]*vessel{"tub": &tub, "jar": &jar, "basket": &basket} {
		w := call(t, s, router, apiRequest("GET", "/api/v1/vessels/"+name, ""), http.StatusOK)
		require.NoError(t, json.Unmarshal(w.Body.Bytes(), into))
	}
	require.NotNil(t, tub.State.After)
	assert.Equal(t, "cooling", tub.State.After.Stage)
	assert.InDelta(t, 61.2, *tub.State.After.CoreC, 1e-9)
	assert.Equal(t, "2026-03-14T18:20:00+01:00", tub.State.After.Until.Median)
	require.NotNil(t, jar.State.Care)
	assert.Equal(t, "2026-03-14T20:40:00+01:00", jar.State.Care.NextFeed)
	require.Len(t, jar.State.Findings, 1)
	assert.Contains(t, jar.State.Findings[0].Do[0], "how old")
	assert.Equal(t, "tub", basket.State.ProofOf)
	assert.Nil(t, basket.State.After)

	call(t, s, router, apiRequest("POST", "/api/v1/vessels/jar/acts", `{"kind":"fed","starter_g":20,"flour_g":60,"water_g":60}`), http.StatusOK)
	assert.Equal(t, "1 : 3 : 3", k.last("jar").Feed.Ratio())
	unknown, _ := withBread(t, func(s *web.Snapshot) { s.Vessels[0].After.CoreC = math.NaN() })
	call(t, unknown, router, apiRequest("GET", "/api/v1/vessels/tub", ""), http.StatusOK)
}
