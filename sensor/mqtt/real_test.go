package mqtt

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/deploy/outsidetest"
	"tidemark/sensor"
)

// TestAgainstARealBroker reads, tells and is refused as the broker of the other
// tests has it.
func TestAgainstARealBroker(t *testing.T) {
	program := outsidetest.Program(t, "mosquitto", "mosquitto")       //nolint:misspell // the program is called so
	passwd := outsidetest.Program(t, "mosquitto", "mosquitto_passwd") //nolint:misspell // the program is called so
	dir := t.TempDir()
	require.NoError(t, os.Chmod(dir, 0o755))
	file := func(name, text string) string {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644))
		return filepath.Join(dir, name)
	}
	secret := file("secret", "flour and water\n")
	out, err := exec.Command(passwd, "-b", "-c", filepath.Join(dir, "users"), "baker", "flour and water").CombinedOutput()
	require.NoError(t, err, string(out))
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	address := l.Addr().(*net.TCPAddr)
	require.NoError(t, l.Close())
	conf := file("conf", fmt.Sprintf("user root\npersistence false\nallow_anonymous false\npassword_file %s\nacl_file %s\nlistener %d 127.0.0.1\n",
		filepath.Join(dir, "users"), file("acl", "user baker\ntopic readwrite kitchen/#\n"), address.Port))
	broker := exec.Command(program, "-c", conf)
	require.NoError(t, broker.Start())
	t.Cleanup(func() { _ = broker.Process.Kill(); _ = broker.Wait() })

	url := "mqtt://" + address.String()
	opt := Options{Broker: url, User: "baker", Password: func() ([]byte, error) { return []byte("flour and water"), nil }}
	opt.Will.Topic, opt.Will.Payload = "kitchen/will", "gone"
	node := Connect(opt)
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	_, err = node.Publish(ctx, "kitchen/mm", []byte("99"), true)
	require.NoError(t, err)
	reason, err := node.Publish(ctx, "other/mm", []byte("1"), false)
	assert.Error(t, err)
	assert.EqualValues(t, 0x87, reason, "not authorized")

	of := func(topic string) *Source {
		return New(sensor.Distance, sensor.MQTT{Broker: url, Topic: topic, User: "baker", PasswordFile: secret})
	}
	height := of("kitchen/mm")
	for ctx.Err() == nil {
		_, err := node.Publish(ctx, "kitchen/mm", []byte("182.5"), false)
		require.NoError(t, err)
		time.Sleep(10 * time.Millisecond)
		if r := height.Read(ctx); r.Status == sensor.OK {
			assert.Equal(t, 182.5, r.Value, "the kept message of 99 is not taken")
			break
		}
	}
	require.NoError(t, ctx.Err())
	require.NoError(t, node.Close())
	require.NoError(t, height.Close())

	wrong := New(sensor.Distance, sensor.MQTT{Broker: url, Topic: "kitchen/mm", User: "baker", PasswordFile: file("wrong", "salt")})
	defer wrong.Close()
	assert.Eventually(t, func() bool { return said(wrong.Read(ctx)) == "broker "+url+": it refuses our user or password" }, 10*time.Second, 20*time.Millisecond)
}
