package answer

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"tidemark/alert"
)

// fakeDesk remembers what it was told.
type fakeDesk struct {
	said []string
	err  error
}

func (d *fakeDesk) Ack(_ context.Context, id, by string) (alert.Alarm, error) {
	d.said = append(d.said, "ack "+id+" "+by)
	return alert.Alarm{}, d.err
}

func (d *fakeDesk) Snooze(_ context.Context, id, by string, span time.Duration) (alert.Alarm, error) {
	d.said = append(d.said, "snooze "+id+" "+by+" "+span.String())
	return alert.Alarm{}, d.err
}

func ask(h http.Handler, method, target string) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(method, target, nil))
	return w
}

func TestButtonsAnswer(t *testing.T) {
	key, manager := Key("0123456789abcdef"), &fakeDesk{}
	h := Handler(key, manager, 45*time.Minute)
	l := key.Links("http://kitchen.lan:8080/", 45*time.Minute)("over-tub-7")
	assert.Equal(t, "http://kitchen.lan:8080/", l.Page)
	ack, snooze := strings.TrimPrefix(l.Ack, "http://kitchen.lan:8080"), strings.TrimPrefix(l.Snooze, "http://kitchen.lan:8080")
	assert.Equal(t, "noted\n", ask(h, "POST", ack).Body.String())
	assert.Equal(t, 200, ask(h, "POST", snooze).Code)
	assert.Equal(t, []string{"ack over-tub-7 push", "snooze over-tub-7 push 45m0s"}, manager.said)

	assert.Equal(t, http.StatusMethodNotAllowed, ask(h, "GET", ack).Code, "a preview does nothing")
	for _, bad := range []string{
		ack + "0", strings.Replace(ack, "over", "near", 1), strings.Replace(ack, "/ack/", "/snooze/", 1), strings.Split(ack, "?")[0],
		strings.Replace(ack, "/ack/", "/delete/", 1),
	} {
		assert.Equal(t, http.StatusForbidden, ask(h, "POST", bad).Code, bad)
	}
	assert.Len(t, manager.said, 2)

	manager.err = alert.ErrUnknownAlarm
	assert.Equal(t, "over already\n", ask(h, "POST", ack).Body.String())
	manager.err = errors.New("disk full")
	assert.Equal(t, http.StatusServiceUnavailable, ask(h, "POST", ack).Code)
}

func TestNoKeyNoButtons(t *testing.T) {
	assert.Empty(t, Key(nil).Links("http://x", 0)("a"))
	assert.Empty(t, Key("k").Links("", 0)("a"))
	assert.False(t, Key(nil).Valid("a", Ack, Key(nil).Token("a", Ack)))
}
