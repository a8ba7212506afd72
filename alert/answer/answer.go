// Package answer lets a button in a message answer an alarm: it makes addresses that
// carry a token and serves them.
//
// Units: none. Sources: HMAC-SHA256 by RFC 2104 and FIPS 180-4.
//
// Invariants: a token is good for one alarm and one verb only; only POST acts,
// so that a preview of the link does nothing; an answer never says whether an
// alarm of that ID exists unless the token is good.
//
// The package does not log anybody in: who holds a token may use it.
package answer

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"tidemark/alert"
)

// Path is where Handler is to be mounted.
const Path = "/answer/"

// Key makes and checks tokens. It should be at least 16 random bytes, kept with
// the settings; a new key makes all buttons sent so far useless.
type Key []byte

// token returns the token for one alarm and verb: 32 hex digits.
func (k Key) token(id, verb string) string {
	mac := hmac.New(sha256.New, k)
	mac.Write([]byte(verb + "\x00" + id))
	return hex.EncodeToString(mac.Sum(nil)[:16])
}

// valid reports whether a token is good, in constant time.
func (k Key) valid(id, verb, token string) bool {
	return len(k) > 0 && hmac.Equal([]byte(k.token(id, verb)), []byte(token))
}

// Address returns the function a Manager wants: the addresses of answers below base,
// such as http://kitchen.lan:8080, at which phones reach the page. An empty base gives
// no addresses.
func (k Key) Address(base string) func(verb, id string) string {
	base = strings.TrimRight(base, "/")
	return func(verb, id string) string {
		switch {
		case base == "" || len(k) == 0:
			return ""
		case verb == "":
			return base + "/"
		}
		return base + Path + verb + "/" + url.PathEscape(id) + "?t=" + k.token(id, verb)
	}
}

// Handler serves the addresses of a key, below Path. take takes an answer; its error
// is alert.ErrUnknownAlarm when there is nothing left to answer.
func Handler(key Key, take func(ctx context.Context, verb, id string) error) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("POST "+Path+"{verb}/{id}", func(w http.ResponseWriter, r *http.Request) {
		verb, id := r.PathValue("verb"), r.PathValue("id")
		w.Header().Set("Cache-Control", "no-store")
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		if !key.valid(id, verb, r.URL.Query().Get("t")) {
			http.Error(w, "this button is not good any more", http.StatusForbidden)
			return
		}
		switch err := take(r.Context(), verb, id); {
		case errors.Is(err, alert.ErrUnknownAlarm):
			fmt.Fprintln(w, "over already") // nothing left to do is no failure for the phone
		case err != nil:
			http.Error(w, "the answer could not be stored; try again", http.StatusServiceUnavailable)
		default:
			fmt.Fprintln(w, "noted")
		}
	})
	return mux
}
