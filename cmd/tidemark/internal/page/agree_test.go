package page

import (
	"encoding/json"
	"html"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/web"
)

// answer is what the API says of a vessel in words, as far as this test looks at it.
type answer struct {
	Answer struct {
		Status, Big, Away, Sentence, Do, How, Tap string
		Time                                      string
		StepID                                    string `json:"step_id"`
	}
	Alarms []struct{ Kind, State, Reason, Title, Text string }
}

var (
	mainButton = regexp.MustCompile(`<button class="main" name="tap" value="([^|"]*)\|([^|"]*)[^"]*"`)
	whatToDo   = regexp.MustCompile(`<p class="what">([^<]*)</p>`)
)

// TestADayWithoutContradictions plays a day on the real program, from the dough in the
// tub to the cut loaf, with a household that does what the one button says, soon or
// late. Each minute page, API, messages and State are compared.
func TestADayWithoutContradictions(t *testing.T) {
	t.Parallel()
	for name, x := range map[string]struct {
		patience time.Duration // how long a button is looked at before it is tapped
		other    bool          // the other button is tapped where there is one
	}{"prompt": {3 * time.Minute, false}, "late": {25 * time.Minute, false}, "the other way": {7 * time.Minute, true}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			k := openKitchen(t, berliners, true, 0)
			s := k.server(nil)
			d := day{t: t, k: k, s: s, closed: map[string]bool{}, patience: x.patience, other: x.other}
			k.tell("tub", bake.EventStart)
			for left := 24 * 60; left > 0; left-- {
				k.pass(time.Minute)
				d.minute()
				if k.app.State("tub").Status == bake.StatusDone {
					left = min(left, 60) // nothing comes after the cut loaf
				}
			}
			assert.Equal(t, bake.StatusDone, k.app.State("tub").Status, "the loaf is cut in the end")
			assert.Greater(t, d.taps, 8)
		})
	}
}

// day is what a household sees and does in one day.
type day struct {
	t        *testing.T
	k        *kitchen
	s        *web.Server
	patience time.Duration
	other    bool
	offered  time.Time // since when the present button is there
	button   string
	closed   map[string]bool // steps that were done or left out
	near     time.Time       // since when an alarm and the state differ
	taps     int
}

// minute compares all that can be seen, and does what is due.
func (d *day) minute() {
	s, at := d.k.app.State("tub"), d.k.clock.Now()
	when := at.Format("15:04 ") + string(s.Status)
	var a answer
	w := do(d.s, request("GET", "/api/v1/vessels/tub", nil))
	require.Equal(d.t, http.StatusOK, w.Code)
	require.NoError(d.t, json.Unmarshal(w.Body.Bytes(), &a))
	d.api(when, s, a)
	d.steps(when, s)
	d.alarms(when, s, a)
	if at.Minute()%5 == 0 {
		d.page(when, a)
	}
	d.act(s)
}

// api: the words of the API follow the State and do not contradict themselves.
func (d *day) api(when string, s bake.State, a answer) {
	t, x := d.t, a.Answer
	require.Equal(t, string(s.Status), x.Status, when)
	if s.Now.Key != bake.TodoJudge {
		require.Equal(t, string(s.Now.Tap), x.Tap, when)
	}
	require.Equal(t, s.Now.Key == bake.TodoWait, strings.HasPrefix(x.Do, "Nothing to do"), "%s: %s", when, x.Do)
	if s.Now.Key == bake.TodoWait {
		require.Empty(t, x.Tap, when)
		require.False(t, s.Now.At.Before(s.At.Add(-time.Minute)), "%s: waits for %s", when, s.Now.At)
	}
	for _, text := range []string{x.Do, x.How, x.Sentence, x.Away} {
		require.NotContains(t, text, "unknown", when)
		require.NotContains(t, text, "{", when)
		require.NotContains(t, text, "NaN", when)
	}
	rises := slices.Contains([]bake.Status{bake.StatusRising, bake.StatusNear, bake.StatusWaiting, bake.StatusCold}, s.Status)
	if rises && !s.Estimate.Ready.IsZero() && !s.Estimate.ReadyIsPast {
		require.True(t, strings.HasPrefix(x.Away, "in ") || x.Away == "now", "%s: %s", when, x.Away)
	}
}

// steps: nothing finished asks again, and what only waits is no task.
func (d *day) steps(when string, s bake.State) {
	for _, x := range s.Steps {
		over := x.State == bake.Done || x.State == bake.Skipped
		require.False(d.t, d.closed[x.ID] && !over, "%s: %s asks again", when, x.ID)
		d.closed[x.ID] = over
		if s.Now.StepID == x.ID && s.Now.Tap != "" && s.Now.Key == bake.TodoStep {
			require.True(d.t, x.Hands && !over, "%s: %s is no task", when, x.ID)
		}
	}
}

// alarms: what is told agrees with what is shown; a message may lag a few minutes.
func (d *day) alarms(when string, s bake.State, a answer) {
	wrong := ""
	for _, x := range a.Alarms {
		if x.State == string(alert.Resolved) {
			continue
		}
		ok := true
		switch alert.Kind(x.Kind) {
		case alert.Near:
			ok = s.RiseID != 0 && !s.Estimate.ReadyIsPast
		case alert.Reached:
			ok = s.RiseID != 0 && s.Estimate.Phase != estimator.Ended
		case alert.StepDue:
			i := slices.IndexFunc(s.Steps, func(y bake.Step) bool { return y.ID == x.Reason })
			ok = i >= 0 && (s.Steps[i].State == bake.DueNow || s.Steps[i].State == bake.Started)
		case alert.InTime:
			ok = s.Advice != nil && x.Reason == string(s.Advice.Key) && !s.InFridge
		}
		if !ok {
			wrong = x.Kind + " " + x.Reason + ": " + x.Text
		}
	}
	if wrong == "" {
		d.near = s.At
		return
	}
	require.Less(d.t, s.At.Sub(d.near), 7*time.Minute, "%s: still told: %s", when, wrong)
}

// page: it has the words and the button of the API.
func (d *day) page(when string, a answer) {
	body := strings.ReplaceAll(do(d.s, request("GET", "/?vessel=tub", nil)).Body.String(), "\u00a0", " ")
	if m := whatToDo.FindStringSubmatch(body); m != nil {
		require.Equal(d.t, strings.ReplaceAll(a.Answer.Do, "\u00a0", " "), html.UnescapeString(m[1]), when)
	}
	m := mainButton.FindStringSubmatch(body)
	if a.Answer.Tap == "" {
		require.Nil(d.t, m, when)
		return
	}
	if a.Answer.Tap != string(bake.EventJudged) {
		require.NotNil(d.t, m, "%s: no button for %s", when, a.Answer.Tap)
		require.Equal(d.t, a.Answer.Tap, m[1], when)
	}
}

// act taps the button that has been there for long enough.
func (d *day) act(s bake.State) {
	now := s.Now
	button := now.Key + now.StepID + string(now.Tap)
	if button != d.button {
		d.button, d.offered = button, s.At
	}
	if now.Key == bake.TodoChilled && s.At.Sub(d.offered) > 8*time.Hour { // in the morning
		now.Tap = now.Other
	}
	if now.Tap == "" || now.Tap == bake.EventStart || s.At.Sub(d.offered) < d.patience {
		return
	}
	kind := now.Tap
	if d.other && now.Other != "" {
		kind = now.Other
	}
	if s.InFridge && kind == bake.EventFridge {
		return
	}
	d.taps++
	d.k.tell("tub", kind, bake.Detail{StepID: now.StepID, Answer: "empty", Outcome: "right", Why: "left out"})
	after := d.k.app.State("tub")
	require.False(d.t, after.Now.Key == now.Key && after.Now.StepID == now.StepID && after.Now.Tap == now.Tap, "%s: the tap %s %s changed nothing", s.At.Format("15:04"), kind, now.StepID)
	d.button = ""
}

// TestAnAbsenceCountsEverywhere: who tells in one vessel that nobody is there is not asked
// for a hand in another one then.
func TestAnAbsenceCountsEverywhere(t *testing.T) {
	t.Parallel()
	k := openKitchen(t, berliners, true, 0)
	k.tell("tub", bake.EventStart)
	k.tell("jar", bake.EventFed)
	k.pass(3 * time.Hour)
	ready := k.app.State("tub").Estimate.Ready.Median
	require.False(t, ready.IsZero())
	b := newBrowser(t, k.server(nil))
	clock := func(at time.Time) string { return at.In(berlin(t)).Format("15:04") }
	w := b.post("/act", url.Values{"kind": {"away"}, "vessel": {"jar"}, "away_from": {clock(ready.Add(-90 * time.Minute))}, "away_until": {clock(ready.Add(5 * time.Hour))}})
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	k.pass(4 * time.Minute)
	a := k.app.State("tub").Advice
	require.NotNil(t, a)
	assert.True(t, a.Away)
	require.Equal(t, http.StatusSeeOther, b.post("/act", url.Values{"kind": {"undo"}, "vessel": {"jar"}}).Code)
	k.pass(4 * time.Minute)
	if a := k.app.State("tub").Advice; a != nil {
		assert.False(t, a.Away, "it was taken back")
	}
}
