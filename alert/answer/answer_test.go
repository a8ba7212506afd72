package answer

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"tidemark/alert"
)

func ask(h http.Handler, method, target string) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(method, target, nil))
	return w
}

func TestButtonsAnswer(t *testing.T) {
	var said []string
	var fail error
	key := Key("0123456789abcdef")
	h := Handler(key, func(_ context.Context, verb, id string) error { said = append(said, verb+" "+id); return fail })
	at := key.Address("http://kitchen.lan:8080/")
	assert.Equal(t, "http://kitchen.lan:8080/", at("", ""))
	path := func(verb string) string {
		return strings.TrimPrefix(at(verb, "over-tub-7"), "http://kitchen.lan:8080")
	}
	ack := path(alert.AnswerAck)
	assert.Equal(t, "noted\n", ask(h, "POST", ack).Body.String())
	assert.Equal(t, 200, ask(h, "POST", path("fridge")).Code)
	assert.Equal(t, []string{"ack over-tub-7", "fridge over-tub-7"}, said)

	assert.Equal(t, http.StatusMethodNotAllowed, ask(h, "GET", ack).Code, "a preview does nothing")
	for _, bad := range []string{
		ack + "0", strings.Replace(ack, "over", "near", 1), strings.Replace(ack, "/ack/", "/snooze/", 1), strings.Split(ack, "?")[0],
		strings.Replace(ack, "/ack/", "/delete/", 1),
	} {
		assert.Equal(t, http.StatusForbidden, ask(h, "POST", bad).Code, bad)
	}
	assert.Len(t, said, 2)

	fail = alert.ErrUnknownAlarm
	assert.Equal(t, "over already\n", ask(h, "POST", ack).Body.String())
	fail = errors.New("disk full")
	assert.Equal(t, http.StatusServiceUnavailable, ask(h, "POST", ack).Code)
}

func TestNoKeyNoButtons(t *testing.T) {
	assert.Empty(t, Key(nil).Address("http://x")("", ""))
	assert.Empty(t, Key("k").Address("")(alert.AnswerAck, "a"))
	assert.False(t, Key(nil).valid("a", alert.AnswerAck, Key(nil).token("a", alert.AnswerAck)))
}
