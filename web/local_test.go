package web

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

// leavesSite reports whether a browser on this page would take a Location for
// another site, after url.spec.whatwg.org, section 4.4: tabs and line ends are
// dropped, controls and spaces around are cut off, a backslash counts as a slash.
func leavesSite(location string) bool {
	s := strings.NewReplacer("\t", "", "\n", "", "\r", "").Replace(location)
	s = strings.TrimLeftFunc(s, func(r rune) bool { return r <= ' ' })
	s = strings.ReplaceAll(s, `\`, "/")
	return !strings.HasPrefix(s, "/") || strings.HasPrefix(s, "//")
}

// redirected is the Location that a redirection to a wanted place sends.
func redirected(to string) string {
	w := httptest.NewRecorder()
	http.Redirect(w, httptest.NewRequest("GET", "/", nil), localPath(to), http.StatusSeeOther)
	return w.Header().Get("Location")
}

func TestOnlyAPathOfThisPageIsLedBackTo(t *testing.T) {
	for _, to := range []string{
		"", "evil.example", "//evil.example", "///evil.example", "////evil.example/", "http://evil.example", "https:evil.example",
		"javascript:alert(1)", "data:text/html,x", "/\t/evil.example", "\t//evil.example", "/\n/evil.example", "/\r/evil.example",
		"/\r\nSet-Cookie: x=1", "/\x00/evil.example", "/\x0b/evil.example", " //evil.example", "/ /evil.example", `\\evil.example`, `/\evil.example`,
		`\/evil.example`, "/%5cevil.example", "/%09/evil.example", "/%0a/evil.example", "/%2f/evil.example", "/%2F%2Fevil.example", "/./\t/evil.example",
		"/.//evil.example", "/..//evil.example", "/rises/..//evil.example", "/a/../../evil.example", "//evil.example:80@127.0.0.1/", "//user@evil.example/",
		"/\u2028/evil.example", "/\uff0fevil.example", "/\u00a0/evil.example", "?to=x", "#x", "*", ":", "/%", "/%zz", "http:///x", "/\x7f/evil.example",
	} {
		assert.Equal(t, "/", localPath(to), "%q", to)
		assert.False(t, leavesSite(redirected(to)), "%q", to)
	}
	for to, want := range map[string]string{
		"/": "/", "/rises": "/rises", "/rises/3": "/rises/3", "/rises/": "/rises/", "/plan?out=18%3A00&vessel=tub": "/plan?out=18%3A00&vessel=tub",
		"/vessels/tub/level": "/vessels/tub/level", "/vessels/big%20tub/level": "/vessels/big%20tub/level", "/vessels/gl%C3%A4schen/level": "/vessels/gl%C3%A4schen/level",
		"/rises?to=//evil.example": "/rises?to=//evil.example", "/#v1-name": "/",
	} {
		assert.Equal(t, want, localPath(to), "%q", to)
		assert.Equal(t, want, redirected(to), "%q", to)
	}
}

func FuzzLocalPath(f *testing.F) {
	for _, s := range []string{"/", "/rises/3?x=1", "/\t/evil.example", "//evil.example", `/\evil.example`, "/%09/evil.example", "/..//evil.example", "/%2f%2fx", "%2f0"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, to string) {
		got := localPath(to)
		if leavesSite(got) || leavesSite(redirected(to)) || strings.ContainsAny(got, "\t\r\n\\") {
			t.Fatalf("%q leads to %q, redirected to %q", to, got, redirected(to))
		}
		if localPath(got) != got {
			t.Fatalf("%q: %q is changed again to %q", to, got, localPath(got))
		}
	})
}
