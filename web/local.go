package web

import (
	"net/url"
	"path"
	"strings"
)

// localPath returns a path of this page, with its query, that a form or link asks
// to be led back to, or "/" for anything else. Browsers drop tabs and line ends
// from an address, take a backslash for a slash and two slashes for the start of
// another host (url.spec.whatwg.org, section 4.4), so only a path that needs none
// of that is taken.
func localPath(to string) string {
	if strings.ContainsFunc(to, func(r rune) bool { return r <= ' ' || r >= 0x7f || r == '\\' }) {
		return "/"
	}
	u, err := url.Parse(to)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil || u.Opaque != "" {
		return "/"
	}
	if !strings.HasPrefix(u.EscapedPath(), "/") || strings.ContainsFunc(u.Path, func(r rune) bool { return r < ' ' || r == 0x7f || r == '\\' }) {
		return "/"
	}
	if clean := path.Clean(u.Path); clean != u.Path && clean+"/" != u.Path {
		return "/"
	}
	return (&url.URL{Path: u.Path, RawPath: u.RawPath, RawQuery: u.RawQuery}).String()
}
