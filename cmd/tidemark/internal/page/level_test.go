package page

import (
	"context"
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/web"
)

// rimSeen is a remark as the survey of a sensor makes them.
const rimSeen = "the sensor reads 150 mm, but the vessel alone is 200 mm deep: it sees the rim <or> something in the vessel, not the floor"

// scale is a Leveller of invented measurements, so that a browser need not hold still for
// ten seconds: a tub 180 mm wide whose floor is 238.4 mm from the sensor. That the App
// measures is tested there.
type scale struct {
	live    web.Live
	mu      sync.Mutex
	remarks []string
	empty   bool
	pours   []web.LevelPoint
	written []string
}

// inventedL is the volume of the tub up to a height in mm.
func inventedL(mm float64) float64 { return mm * math.Pi * 90 * 90 / 1e6 }

func (s *scale) Level(vessel string) (web.Level, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	l := web.Level{Sensor: "vl53l1x 0x29", Seconds: 10, FloorMM: 240, TopMM: 200, Old: []web.LevelPoint{{}, {VolumeL: inventedL(200), HeightMM: 200}}}
	for _, v := range s.live.Snapshot().Vessels {
		if v.Vessel == vessel && v.RiseID != 0 {
			l.Blocked = "A rise is being watched in " + vessel + ". Measure between two rises, with the vessel empty."
		}
	}
	if !s.empty {
		return l, nil
	}
	l.Empty = &web.LevelReading{MM: 238.4, SpreadMM: 0.8, SDMM: 0.3, Usable: 10, Missed: 1}
	l.Remarks, l.Pours = s.remarks, s.pours
	after := []string{"measured:", "- vessel: " + vessel, "  floor_mm: 238.4"}
	if len(s.pours) > 0 {
		l.Profile = append([]web.LevelPoint{{}}, s.pours...)
		after = append(after, fmt.Sprintf("  profile: %d points", len(l.Profile)))
	}
	l.Change = &web.LevelChange{ID: fmt.Sprintf("change-%d", len(s.pours)), File: "/var/lib/tidemark/measured.yaml",
		Backup: "measured.yaml.before-20260314-172000", Before: []string{"measured: []"}, After: after}
	return l, nil
}

func (s *scale) LevelEmpty(_ context.Context, vessel string) error {
	l, err := s.Level(vessel)
	if err == nil && l.Blocked != "" {
		err = web.Refusal{Why: l.Blocked}
	}
	if err == nil {
		s.empty, s.pours = true, nil
	}
	return err
}

func (s *scale) LevelPour(_ context.Context, _ string, totalL float64) error {
	if !s.empty {
		return web.Refusal{Why: "The empty vessel was not measured yet; do that first."}
	}
	s.pours = append(s.pours, web.LevelPoint{VolumeL: totalL, HeightMM: totalL / inventedL(1)})
	return nil
}

func (s *scale) LevelWrite(_ context.Context, vessel, change string) (string, error) {
	l, err := s.Level(vessel)
	if err != nil || l.Change == nil || l.Change.ID != change {
		return "", web.Refusal{Why: "That is not what was shown last; look at the change again."}
	}
	s.written = append(s.written, change)
	return "Written and in force: floor 238.4 mm.", s.LevelEnd(vessel)
}

func (s *scale) LevelEnd(string) error {
	s.empty, s.pours = false, nil
	return nil
}

// measuring is a server whose vessels can be measured.
func measuring(t testing.TB) (*web.Server, *kitchen, *scale) {
	t.Helper()
	var sc *scale
	s, k := newServer(t, func(o *web.Options) {
		sc = &scale{live: o.Live, remarks: []string{rimSeen}}
		o.Level = sc
	})
	return s, k, sc
}

// TestBrowserMeasures measures a vessel in a real browser, on every screen and at
// 320 pixels, there by keyboard alone.
func TestBrowserMeasures(t *testing.T) {
	t.Parallel()
	browser := chrome(t)
	for _, sc := range append(screens(), screen{320, 640, "light"}) {
		t.Run(sc.String(), func(t *testing.T) {
			t.Parallel()
			s, _, measured := measuring(t)
			b := open(t, browser, sc)
			press := b.click
			if sc.w == 320 {
				press = b.enter
			}
			look := func(what string) {
				b.look("level-"+what+"-"+sc.String(), sc.w, what)
			}
			b.run(chromedp.Navigate(serve(t, s) + "/vessels/basket/level"))
			b.waitText("main", "Empty vessel")
			look("begin")
			press("main .steps button")
			b.waitText("main", "The floor is 238.4 mm away.")
			look("empty")
			for i, total := range []string{"1", "2", "3.5"} {
				b.run(chromedp.SendKeys(chromedp.CSS("input[name=litres]"), total))
				press("form:has(input[name=litres]) button")
				b.wait(fmt.Sprintf("document.querySelectorAll('main table tbody tr').length === %d", i+1))
			}
			b.waitText("main", "profile: 4 points")
			look("poured")
			press("form:has([value=write]) button")
			b.waitText("#said", "Written and in force")
			assert.Equal(t, []string{"change-3"}, measured.written)
			b.run(chromedp.Navigate(strings.TrimSuffix(js[string](b, "location.href"), "basket/level") + "tub/level"))
			b.waitText("main", "A rise is being watched in tub.")
			look("blocked")
			press("form:has([value=end]) button")
			b.waitText("#said", "Emptied: noted")
			b.waitText("main", "Measure the empty vessel")
		})
	}
}

// enter walks to an element with the tabulator key and presses Enter.
func (b *tab) enter(sel string) {
	b.t.Helper()
	for range 40 {
		b.run(chromedp.KeyEvent(kb.Tab))
		if js[bool](b, fmt.Sprintf("document.activeElement === document.querySelector(%q)", sel)) {
			b.run(chromedp.KeyEvent(kb.Enter))
			return
		}
	}
	require.Fail(b.t, "the keyboard does not reach "+sel)
}
