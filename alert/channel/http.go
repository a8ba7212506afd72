package channel

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"tidemark/alert"
)

// maxBody is how much of an answer is read.
const maxBody = 64 << 10

// poster sends HTTP requests for a channel.
type poster struct {
	client  *http.Client
	secrets *secrets
	auth    string // header Authorization; empty for none
}

// newPoster returns a poster that follows no redirect and keeps no cookie. It shows the
// token, or else user and password, if there are any.
func newPoster(user string, s *secrets, trust *tls.Config) *poster {
	auth := ""
	switch {
	case s.token != "":
		auth = "Bearer " + s.token
	case user != "":
		auth = "Basic " + base64.StdEncoding.EncodeToString([]byte(user+":"+s.password))
	}
	transport := http.DefaultTransport.(*http.Transport).Clone()
	transport.TLSClientConfig, transport.MaxIdleConns, transport.MaxResponseHeaderBytes = trust, 2, 32<<10
	return &poster{secrets: s, auth: auth, client: &http.Client{
		Transport:     transport,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
}

// Close gives the idle connections back.
func (p *poster) Close() error {
	p.client.CloseIdleConnections()
	return nil
}

// send makes one request and judges the answer.
func (p *poster) send(ctx context.Context, method, address string, header http.Header, body []byte) (string, error) {
	req, err := http.NewRequestWithContext(ctx, method, address, bytes.NewReader(body))
	if err != nil {
		return "", &alert.Failure{Answer: "the address cannot be used; check url in the configuration", Final: true}
	}
	req.Header = header
	if p.auth != "" {
		header.Set("Authorization", p.auth)
	}
	res, err := p.client.Do(req)
	if err != nil {
		return "", p.secrets.failure(withoutURL(err))
	}
	defer res.Body.Close()
	said, err := io.ReadAll(io.LimitReader(res.Body, maxBody))
	if err != nil && ctx.Err() != nil {
		return "", p.secrets.failure(err)
	}
	return p.judge(res, said)
}

// withoutURL takes the address out of an error: it may hold a key.
func withoutURL(err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		return u.Err
	}
	return err
}

// judge sorts an answer: 2xx is taken; 429, 5xx and temporary redirects (a
// hotspot's login page, say) are passing; the rest is final.
func (p *poster) judge(res *http.Response, said []byte) (string, error) {
	code := res.StatusCode
	answer := p.secrets.clean(fmt.Sprintf("%d %s %s", code, http.StatusText(code), said))
	switch {
	case code >= 200 && code < 300:
		return p.secrets.clean(fmt.Sprintf("%d %s", code, http.StatusText(code))), nil
	case code == http.StatusTooManyRequests || code >= 500:
		return "", &alert.Failure{Answer: answer, RetryAfter: retryAfter(res.Header.Get("Retry-After"), time.Now())}
	case code == http.StatusFound || code == http.StatusSeeOther || code == http.StatusTemporaryRedirect:
		return "", &alert.Failure{Answer: fmt.Sprintf("%d sent on to another address, which is not followed", code)}
	case code >= 300 && code < 400:
		return "", &alert.Failure{Final: true, Answer: fmt.Sprintf("%d moved to another address, which is not followed; write the new address into url", code)}
	}
	return "", &alert.Failure{Answer: answer, Final: true}
}

// retryAfter reads the header of that name: seconds or a date (RFC 9110,
// section 10.2.3). Anything else is 0.
func retryAfter(value string, now time.Time) time.Duration {
	if seconds, err := strconv.ParseInt(value, 10, 64); err == nil {
		return time.Duration(min(max(seconds, 0), 86400)) * time.Second
	}
	if at, err := http.ParseTime(value); err == nil {
		return max(at.Sub(now), 0)
	}
	return 0
}
