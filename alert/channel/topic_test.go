package channel

import (
	"encoding/json"
	"io"
	"mime"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
)

// topicServer is a fake written from the published documentation of ntfy:
// "Publish as JSON" (POST to the root, topic in the body) and attachments (PUT
// to the topic with a Filename header). It keeps what it took by sequence ID.
type topicServer struct {
	*httptest.Server
	messages []publication
	pictures []http.Header
	bytes    int
}

func newTopicServer(t *testing.T) *topicServer {
	s := &topicServer{}
	s.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Header.Get("Authorization") != "Bearer "+secretToken {
			w.WriteHeader(http.StatusForbidden)
			_, _ = io.WriteString(w, `{"code":40301,"http":403,"error":"forbidden"}`)
			return
		}
		body, _ := io.ReadAll(r.Body)
		switch {
		case r.Method == http.MethodPost && r.URL.Path == "/":
			var p publication
			if err := json.Unmarshal(body, &p); err != nil || p.Topic == "" || len(p.Message) > 4096 || p.Priority < 1 || p.Priority > 5 || len(p.Actions) > 3 {
				w.WriteHeader(http.StatusBadRequest)
				return
			}
			s.messages = append(s.messages, p)
		case r.Method == http.MethodPut && r.URL.Path == "/"+secretTopic && r.Header.Get("Filename") != "":
			s.pictures, s.bytes = append(s.pictures, r.Header), len(body)
		default:
			w.WriteHeader(http.StatusNotFound)
		}
	}))
	t.Cleanup(s.Close)
	return s
}

func (s *topicServer) address() string { return strings.TrimPrefix(s.URL, "http://") }

func TestTopicPublishesJSONWithButtonsAndPicture(t *testing.T) {
	srv := newTopicServer(t)
	ch := open(t, subjects()[0].spec(srv.address(), false))
	m := sample()
	m.Links = alert.Links{Page: "http://kitchen.lan/", PageLabel: "Show", Buttons: []alert.Button{{Verb: alert.AnswerAck, Label: "Got it", URL: "http://kitchen.lan/ack?t=1"}, {Verb: alert.AnswerSnooze, Label: "In 30 min again", URL: "http://kitchen.lan/snooze?t=1"}}}
	m.Picture, m.PictureText = make([]byte, 60_000), "The curve of tub so far: übersicht."
	answer := must(ch.Deliver(t.Context(), m))
	assert.Equal(t, "200 OK, picture 200 OK", answer)
	require.Len(t, srv.messages, 1)
	got := srv.messages[0]
	assert.Equal(t, publication{
		Topic: secretTopic, Title: m.Title, Message: m.Text, Priority: 4, Tags: []string{"warning", "over"}, Click: "http://kitchen.lan/",
		SequenceID: "over-tub-7",
		Actions: []action{
			{"http", "Got it", "http://kitchen.lan/ack?t=1", "POST", true},
			{"http", "In 30 min again", "http://kitchen.lan/snooze?t=1", "POST", true},
			{Action: "view", Label: "Show", URL: "http://kitchen.lan/"},
		},
	}, got)
	require.Len(t, srv.pictures, 1)
	h := srv.pictures[0]
	assert.Equal(t, "tub.png", h.Get("Filename"))
	assert.Equal(t, "1", h.Get("Priority"), "the picture comes silently")
	words := new(mime.WordDecoder)
	text := must(words.DecodeHeader(h.Get("Message")))
	assert.Equal(t, m.PictureText, text)
	assert.Equal(t, 60_000, srv.bytes)
}

// An update replaces what is on the screen, a long text is cut, and another token refused.
func TestTopicMessages(t *testing.T) {
	srv := newTopicServer(t)
	ch := open(t, subjects()[0].spec(srv.address(), false))
	first, second := sample(), sample()
	second.ID, second.What, second.Title, second.Text = "over-tub-7/x/0/u1", alert.WasUpdated, "newer", strings.Repeat("Überlänge. ", 1000)
	for _, m := range []alert.Message{first, second, second} {
		_ = must(ch.Deliver(t.Context(), m))
	}
	shown := map[string]string{}
	for _, p := range srv.messages {
		shown[p.SequenceID] = p.Title
	}
	assert.Equal(t, map[string]string{"over-tub-7": "newer"}, shown, "one message stays on the screen")
	assert.True(t, strings.HasSuffix(srv.messages[2].Message, "…"))
	spec := subjects()[0].spec(srv.address(), false)
	spec.Token = "another-token"
	_, err := open(t, spec).Deliver(t.Context(), sample())
	judge(t, err, true)
	assert.Contains(t, err.Error(), "403 Forbidden")
}

func TestTopicAPictureNotTakenIsNoFailure(t *testing.T) {
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodPut {
			w.WriteHeader(http.StatusRequestEntityTooLarge)
		}
	}))
	defer srv.Close()
	m := sample()
	m.Picture = []byte("png")
	answer := must(open(t, subjects()[0].spec(srv.Listener.Addr().String(), false)).Deliver(t.Context(), m))
	assert.Contains(t, answer, "the picture was not taken: refused for good: 413")
	noSecret(t, answer)
}

func TestWebhookDocumentIsSignedAndFitsItsSchema(t *testing.T) {
	var header http.Header
	var body []byte
	srv := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		header = r.Header
		body, _ = io.ReadAll(r.Body)
	}))
	defer srv.Close()
	m := sample()
	m.Tap, m.Links = bake.EventFridge, alert.Links{Page: "p", Buttons: []alert.Button{{Verb: "fridge", URL: "f"}, {Verb: alert.AnswerAck, URL: "a"}, {Verb: alert.AnswerSnooze, URL: "s"}}}
	_ = must(open(t, subjects()[1].spec(srv.Listener.Addr().String(), false)).Deliver(t.Context(), m))
	assert.Equal(t, sign([]byte(secretKey), header.Get("Tidemark-Timestamp"), body), header.Get("Tidemark-Signature"))
	assert.Equal(t, m.ID, header.Get("Idempotency-Key"))
	var schema struct {
		Required   []string
		Properties map[string]json.RawMessage
	}
	described := must(os.ReadFile("webhook.schema.json"))
	require.NoError(t, json.Unmarshal(described, &schema))
	var doc map[string]any
	require.NoError(t, json.Unmarshal(body, &doc))
	for key := range doc {
		assert.Contains(t, schema.Properties, key, "in the document but not in the schema")
	}
	for key := range schema.Properties {
		assert.Contains(t, doc, key, "in the schema but not in the document")
	}
	for _, key := range schema.Required {
		assert.Contains(t, schema.Properties, key)
	}
}

// The value was made with another implementation, OpenSSL 3:
// printf '1762538400.{"a":1}' | openssl dgst -sha256 -hmac kitchen-key
func TestSignAgainstOpenSSL(t *testing.T) {
	assert.Equal(t, "sha256=5c3f7f25d3f677a4fd7824fae434f3a9b52031b344a6d3081f2664b18b2cf15a", sign([]byte("kitchen-key"), "1762538400", []byte(`{"a":1}`)))
}

func TestHeartbeatOnlyWithProof(t *testing.T) {
	calls := 0
	srv := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { calls++ }))
	defer srv.Close()
	var stuck error
	h := NewHeartbeat(alert.Secret(srv.URL+"/"+secretPath), func() error { return stuck }, nil)
	require.NoError(t, h.beat(t.Context()))
	stuck = io.ErrNoProgress
	assert.ErrorIs(t, h.beat(t.Context()), io.ErrNoProgress)
	assert.Equal(t, 1, calls)
	stuck = nil
	srv.Close()
	judge(t, h.beat(t.Context()), false)
}
