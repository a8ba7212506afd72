package alert

import (
	"encoding/json"
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/bake"
)

func TestChannelSpecValidate(t *testing.T) {
	good := []ChannelSpec{
		{Name: "phone", Kind: "topic", URL: "https://push.example.org", Topic: "k1tchen", TokenFile: "push-token"},
		{Name: "phone2", Kind: "topic", URL: "http://10.0.0.2:8080", Topic: "x", User: "baker", PassFile: "/etc/tidemark/pw"},
		{Name: "hook", Kind: "webhook", URL: "https://example.org/in", SignFile: "hook-key", Timeout: "10s"},
		{Name: "post", Kind: "mail", Host: "mail.example.org", From: "kitchen@example.org", To: []string{"a@example.org"}},
		{Name: "local", Kind: "mail", Host: "localhost", TLS: "none", From: "a@b.example", To: []string{"a@b.example"}, FromLevel: 2},
		{Name: "house", Kind: "mqtt", URL: "mqtt://broker.lan", Base: "kitchen/tidemark"},
		{Name: "bell", Kind: "command", Run: []string{"/usr/local/bin/bell"}, Only: []Kind{OvenHeating, Over}},
	}
	for _, s := range good {
		assert.NoError(t, s.Validate(), s.Name)
	}
	english := text.New(text.Locale{})
	for _, c := range []struct {
		spec  ChannelSpec
		field string
		msg   string
	}{
		{ChannelSpec{Name: "My Phone"}, "name", `"My Phone" is not a usable name; give 1 to 32 small letters, digits, - or _, beginning with a letter or digit`},
		{ChannelSpec{Name: "x", Kind: "pigeon"}, "kind", `"pigeon" is no kind of channel; write one of: topic, webhook, mail, mqtt, command`},
		{ChannelSpec{Name: "x", Kind: "topic", FromLevel: 9}, "from_level", "9 is outside 0 to 4; 0 tells at once, 1 from the first escalation on"},
		{ChannelSpec{Name: "x", Kind: "topic", Timeout: "soon"}, "timeout", `"soon" is not a duration; write it like 20s`},
		{ChannelSpec{Name: "x", Kind: "topic", Timeout: "1h"}, "timeout", "1h0m0s is outside 1s to 5m; choose a value in that range"},
		{ChannelSpec{Name: "x", Kind: "topic", Token: "a", TokenFile: "b"}, "token", "token is given here and as token_file; keep the file and remove this"},
		{ChannelSpec{Name: "x", Kind: "topic"}, "url", "the address is missing; write it like https://host"},
		{ChannelSpec{Name: "x", Kind: "topic", URL: "ftp://a"}, "url", "this is not an address with one of the schemes https, http; write it like https://host"},
		{ChannelSpec{Name: "x", Kind: "topic", URL: "https://u:p@a"}, "url", "the address holds a user name or password; move them to user and password_file or token_file"},
		{ChannelSpec{Name: "x", Kind: "topic", URL: "https://a", Topic: "a/b"}, "topic", "the topic is missing or has other characters than letters, digits, - and _ (at most 64); whoever knows it can read along, so choose it like a password"},
		{ChannelSpec{Name: "x", Kind: "topic", URL: "https://a", Topic: "a", Token: "t", User: "u"}, "user", "both a token and a user are given; keep one of them"},
		{ChannelSpec{Name: "x", Kind: "webhook", URL: "https://a", Host: "b"}, "host", "a webhook channel has no host; it belongs to mail"},
		{ChannelSpec{Name: "x", Kind: "mail", Host: "h", TLS: "none"}, "tls", "mail to another machine goes encrypted only; write starttls or implicit"},
		{ChannelSpec{Name: "x", Kind: "mail", Host: "h", TLS: "ssl"}, "tls", `"ssl" is not known; write starttls (port 587) or implicit (port 465)`},
		{ChannelSpec{Name: "x", Kind: "mail", Host: "h", From: "me"}, "from", `"me" is not a mail address; write it like kitchen@example.org`},
		{ChannelSpec{Name: "x", Kind: "mail", Host: "h", From: "a@b.example"}, "to", "no recipient is named; list at least one mail address"},
		{ChannelSpec{Name: "x", Kind: "mqtt", URL: "http://a"}, "url", "this is not an address with one of the schemes mqtt, mqtts; write it like mqtt://host"},
		{ChannelSpec{Name: "x", Kind: "mqtt", URL: "mqtt://a", Base: "a/#"}, "base_topic", `"a/#" is not usable as the beginning of a topic; leave out +, #, spaces and outer slashes`},
		{ChannelSpec{Name: "x", Kind: "command"}, "run", `no program is named; write a list such as ["/usr/local/bin/ring", "loud"]`},
		{ChannelSpec{Name: "x", Kind: "command", Run: []string{"ring"}}, "run", `"ring" is not a full path; write the program with its path, there is no shell to look for it`},
		{ChannelSpec{Name: "x", Kind: "command", Run: []string{"/a"}, Only: []Kind{"rain"}}, "only", `"rain" is no kind of alarm; use some of: clock_not_set, disk_nearly_full, in_time, levels_off, look, near, nobody_watched, oven_heating, over, plan_moved, probe_lost, reached, sensor_lost, sensor_suspect, starter_falling, starter_hungry, starter_peak, step_due, too_cold, too_hot, under_voltage`},
	} {
		var got bake.FieldError
		require.ErrorAs(t, c.spec.Validate(), &got)
		assert.Equal(t, c.field+": "+c.msg, got.Field+": "+english.Tell(got.Said))
	}
}

func TestSecretsDoNotShow(t *testing.T) {
	spec := ChannelSpec{Name: "x", Token: "hunter2", Topic: "hunter3", Password: "hunter4", SignKey: "hunter5"}
	asJSON, err := json.Marshal(spec)
	assert.NoError(t, err)
	for _, shown := range []string{fmt.Sprint(spec), fmt.Sprintf("%+v %#v %q", spec, spec, spec.Token), string(asJSON)} {
		assert.NotContains(t, shown, "hunter")
	}
	assert.Equal(t, "hunter2", spec.Token.Reveal())
	assert.Empty(t, Secret("").String())
}

// TestWhatIsWrongWithAChannelIsInTheCatalogue, in both languages.
func TestWhatIsWrongWithAChannelIsInTheCatalogue(t *testing.T) {
	german, err := text.Load("de")
	require.NoError(t, err)
	keys := map[string]bool{"timeout": true, "timeout_range": true, "twice": true, "kind": true, "name_shape": true, "level": true, "only": true}
	s := &ChannelSpec{To: []string{"x"}}
	with := &ChannelSpec{Run: []string{"x"}}
	for _, checks := range [][]check{s.ofTopic(), s.ofWebhook(), s.ofMail(), s.ofMQTT(), s.ofCommand(), with.ofCommand(), s.foreign()} {
		for _, c := range checks {
			keys[c.key] = true
		}
	}
	assert.Len(t, keys, 24)
	for key := range keys {
		assert.NotEmpty(t, german["refused.channel."+key], key)
	}
}
