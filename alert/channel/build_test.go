package channel

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
)

func TestRoutes(t *testing.T) {
	specs := []alert.ChannelSpec{
		{Name: "phone", Kind: "topic", URL: "https://push.example.org", Topic: secretTopic, Only: []alert.Kind{alert.Over}, FromLevel: 1, Timeout: "7s"},
		{Name: "bell", Kind: "command", Run: []string{"/bin/true"}},
	}
	routes := must(Routes(specs, Env{}))
	require.Len(t, routes, 2)
	assert.Equal(t, 1, routes[0].FromLevel)
	assert.Equal(t, "7s", routes[0].Timeout.String())
	assert.True(t, routes[0].Pictures)
	assert.False(t, routes[1].Pictures)
	specs[1] = alert.ChannelSpec{Name: "hook", Kind: "webhook", URL: "https://example.org", SignFile: "/no/such/file"}
	_, err := Routes(specs, Env{})
	assert.ErrorContains(t, err, "channel hook: sign_key_file: the secret cannot be read")
	specs[1] = alert.ChannelSpec{Name: "hook", Kind: "webhook", URL: "https://example.org", CAFile: "build_test.go"}
	_, err = Routes(specs, Env{})
	assert.ErrorContains(t, err, "holds no certificate in PEM form")
}

func FuzzClean(f *testing.F) {
	f.Add("401 " + secretToken + "\r\n\x00\x1b[31m")
	f.Fuzz(func(t *testing.T, text string) {
		s := &secrets{}
		s.hide(secretToken, secretPass)
		got := s.clean(text)
		if strings.Contains(got, secretToken) || strings.ContainsAny(got, "\r\n\x00\x1b") || len([]rune(got)) > maxAnswer {
			t.Fatalf("%q", got)
		}
	})
}
