package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"time"

	"github.com/eclipse/paho.golang/autopaho"
	"github.com/eclipse/paho.golang/paho"
)

// find finds an outside program, also where Debian keeps those of root.
func find(name string) (string, error) {
	for _, dir := range []string{"", "/usr/sbin/", "/usr/local/sbin/"} {
		if path, err := exec.LookPath(dir + name); err == nil {
			return path, nil
		}
	}
	return "", fmt.Errorf("%s is not here; install the Debian package", name)
}

// freePort asks the system for a port.
func freePort() (int, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return 0, err
	}
	defer func() { _ = l.Close() }()
	return l.Addr().(*net.TCPAddr).Port, nil
}

// startBroker starts a real broker and returns its address.
func startBroker(ctx context.Context, dir string) (address string, stop func(), err error) {
	program, err := find("mosquitto") //nolint:misspell // a name
	if err != nil {
		return "", nil, err
	}
	port, err := freePort()
	if err != nil {
		return "", nil, err
	}
	conf := filepath.Join(dir, "broker.conf")
	text := fmt.Sprintf("listener %d 127.0.0.1\nallow_anonymous true\npersistence false\nlog_type none\n", port)
	if err := os.WriteFile(conf, []byte(text), 0o644); err != nil {
		return "", nil, err
	}
	cmd := exec.CommandContext(ctx, program, "-c", conf)
	if err := cmd.Start(); err != nil {
		return "", nil, err
	}
	stop = func() { _ = cmd.Process.Kill(); _ = cmd.Wait() }
	address = fmt.Sprintf("mqtt://127.0.0.1:%d", port)
	for range 50 {
		c, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", port))
		if err == nil {
			return address, stop, c.Close()
		}
		time.Sleep(100 * time.Millisecond)
	}
	stop()
	return "", nil, errors.New("the broker did not come up within 5 s")
}

// publish sends a height and a temperature of every vessel each second, spread
// over the second, until ctx ends.
func publish(ctx context.Context, broker string, n int) error {
	u, err := url.Parse(broker)
	if err != nil {
		return err
	}
	cm, err := autopaho.NewConnection(ctx, autopaho.ClientConfig{ServerUrls: []*url.URL{u}, KeepAlive: 30, CleanStartOnInitialConnection: true,
		ClientConfig: paho.ClientConfig{ClientID: "scale-of-tidemark"}})
	if err != nil {
		return err
	}
	if err := cm.AwaitConnection(ctx); err != nil {
		return err
	}
	begin := time.Now().UTC().Truncate(time.Second)
	for second := begin.Add(time.Second); ; second = second.Add(time.Second) {
		for i := range n {
			if i%100 == 0 {
				time.Sleep(time.Until(second.Add(time.Duration(i) * 900 * time.Millisecond / time.Duration(n))))
			}
			for _, m := range []struct{ topic, body string }{
				{"/dough", fmt.Sprintf(`{"c":%.2f}`, doughC(i, second))},
				{"/height", fmt.Sprintf(`{"mm":%.1f}`, distanceMM(i, begin, second))},
			} {
				_, err := cm.Publish(ctx, &paho.Publish{Topic: name(i) + m.topic, Payload: []byte(m.body)})
				if ctx.Err() != nil {
					return nil
				}
				if err != nil {
					return fmt.Errorf("publish to the broker: %w", err)
				}
			}
		}
	}
}
