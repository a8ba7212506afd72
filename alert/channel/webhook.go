package channel

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"encoding/json"
	"net/http"
	"strconv"
	"time"

	"tidemark/alert"
)

// schemaName tells a receiver which form the document has: that of webhook.schema.json.
const schemaName = "tidemark.alert/1"

// webhook posts a JSON document, signed when there is a key.
type webhook struct {
	*poster
	url string
	now func() time.Time
}

// document is what a webhook gets. Links are addresses by what they are for: the page
// to open, the others to POST to.
type document struct {
	Schema string `json:"schema"`
	alert.Message
	Links map[string]string `json:"links,omitempty"`
}

func newWebhook(spec alert.ChannelSpec, s *secrets, trust *tls.Config) *webhook {
	return &webhook{poster: newPoster("", s, trust), url: spec.URL, now: time.Now}
}

// Deliver posts the document. The header Idempotency-Key is the same at every
// attempt, so that a receiver can drop a repeat.
func (w *webhook) Deliver(ctx context.Context, m alert.Message) (string, error) {
	d := document{Schema: schemaName, Message: m, Links: map[string]string{}}
	if m.Links.Page != "" {
		d.Links["page"] = m.Links.Page
	}
	for _, b := range m.Links.Buttons {
		verb := b.Verb
		if verb == alert.AnswerAck {
			verb = "acknowledge"
		}
		d.Links[verb] = b.URL
	}
	body, err := json.Marshal(d)
	if err != nil {
		return "", w.secrets.failure(err)
	}
	h := http.Header{"Content-Type": {"application/json"}, "Idempotency-Key": {m.ID}}
	if w.secrets.signKey != "" {
		stamp := strconv.FormatInt(w.now().Unix(), 10)
		h.Set("Tidemark-Timestamp", stamp)
		h.Set("Tidemark-Signature", sign([]byte(w.secrets.signKey), stamp, body))
	}
	return w.send(ctx, http.MethodPost, w.url, h, body)
}

// sign returns the value of the signature header: "sha256=" and the HMAC-SHA256
// (RFC 2104, FIPS 180-4) in hex over timestamp, a full stop and the body.
func sign(key []byte, timestamp string, body []byte) string {
	mac := hmac.New(sha256.New, key)
	mac.Write([]byte(timestamp + "."))
	mac.Write(body)
	return "sha256=" + hex.EncodeToString(mac.Sum(nil))
}
