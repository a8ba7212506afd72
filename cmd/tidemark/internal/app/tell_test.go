package app

import (
	"bytes"
	"io"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
)

// TestPictureShowsTheRiseOfTheMessage draws the curve of a rise under way, and
// nothing for another one.
func TestPictureShowsTheRiseOfTheMessage(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.run(time.Hour)
	png, err := b.app.picture(t.Context(), "tub", b.vessel().RiseID)
	require.NoError(t, err)
	assert.True(t, bytes.HasPrefix(png, []byte("\x89PNG")))
	png, err = b.app.picture(t.Context(), "tub", 99)
	require.NoError(t, err)
	assert.Empty(t, png)
	_, err = b.app.picture(t.Context(), "pot", 1)
	require.Error(t, err)
}

// get fetches a page.
func get(t *testing.T, c *http.Client, url string) (status int, body string) {
	t.Helper()
	r, err := c.Get(url)
	require.NoError(t, err)
	defer func() { _ = r.Body.Close() }()
	data, err := io.ReadAll(r.Body)
	require.NoError(t, err)
	return r.StatusCode, string(data)
}

// TestMetricsAtAnAddressOfTheirOwn serves them there and not on the page. A
// metrics address that is taken keeps nothing open.
func TestMetricsAtAnAddressOfTheirOwn(t *testing.T) {
	t.Parallel()
	b := newBenchOf(t, `web: {metrics_listen: "127.0.0.1:0"}`+benchConfig, Options{Listen: "127.0.0.1:0"})
	a := b.app
	status, body := get(t, http.DefaultClient, "http://"+a.listeners[1].Addr().String()+"/metrics")
	assert.Equal(t, http.StatusOK, status)
	assert.Contains(t, body, "tidemark_")
	status, _ = get(t, http.DefaultClient, "http://"+a.Address()+"/metrics")
	assert.Equal(t, http.StatusNotFound, status)
	status, body = get(t, http.DefaultClient, "http://"+a.Address()+"/")
	assert.Equal(t, http.StatusOK, status)
	assert.Contains(t, body, "tub")

	taken := *a.opt.Config
	taken.Web.MetricsListen = a.listeners[1].Addr().String()
	second, err := New(Options{Config: &taken, Clock: b.clock, Store: b.store, Listen: "127.0.0.1:0"})
	require.NoError(t, err)
	require.ErrorContains(t, second.Start(t.Context()), "taken by another program")
	_, err = http.Get("http://" + second.Address())
	require.Error(t, err, "the page is closed again")
}

// TestTheEveningsAdviceIsToldWithAButton: a dough that would be ready while the household
// sleeps is told before bed, with a button. Pressed twice, the tub is in the refrigerator
// once and the warning is answered. On a rise that is over it does nothing.
func TestTheEveningsAdviceIsToldWithAButton(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.every = time.Minute
	b.start = b.start.Add(10*time.Hour + 30*time.Minute) // half past seven in the evening
	b.clock.Set(b.start)
	b.rising(b.start, b.start.Add(3*time.Hour), 1.4) // it doubles half an hour after midnight
	a := alarmOf(t, b.raised, alert.InTime)
	assert.Equal(t, bake.EventFridge, a.Tap)
	assert.Contains(t, a.Text, "while you sleep")
	late := a
	late.ID, late.RiseID = "in_time-tub-0", a.RiseID+7
	b.app.tell(t.Context(), []alert.Change{{Alarm: late, What: alert.WasRaised}})
	cold := func() int {
		n := 0
		for _, e := range b.vessel().Events {
			if e.Kind == bake.EventFridge && e.By == "push" {
				n++
			}
		}
		return n
	}
	require.ErrorIs(t, b.app.pressed(t.Context(), "fridge", late.ID), alert.ErrUnknownAlarm)
	assert.Zero(t, cold())
	for range 2 {
		require.NoError(t, b.app.pressed(t.Context(), "fridge", a.ID))
		assert.Equal(t, 1, cold())
	}
	told, err := b.app.manager.Open(t.Context(), a.ID)
	require.NoError(t, err)
	assert.Equal(t, alert.Acknowledged, told.State)
	assert.True(t, b.vessel().InFridge)
	require.ErrorIs(t, b.app.pressed(t.Context(), "fridge", "nothing"), alert.ErrUnknownAlarm)
}
