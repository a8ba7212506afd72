package channel

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/deploy/outsidetest"
)

// smtpdSpool is where OpenSMTPD keeps its queue; the place is built in.
const smtpdSpool = "/var/spool/smtpd"

// logBuffer is a log that can be read while it is written.
type logBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// startSMTPD starts Debian's OpenSMTPD, as root only. TLS is not tested with it:
// version 6.8.0p2 there, built with OpenSSL 3, ends every handshake with "missing
// private key". The server of the other mail tests speaks TLS.
func startSMTPD(t *testing.T) (port int, log *logBuffer) {
	t.Helper()
	program := outsidetest.Program(t, "opensmtpd", "smtpd")
	if os.Getuid() != 0 {
		t.Fatal("smtpd needs root; run the tests as root in CI")
	}
	require.NoError(t, os.MkdirAll(smtpdSpool, 0o711))
	dir := t.TempDir()
	port = freePort(t)
	conf := filepath.Join(dir, "smtpd.conf")
	text := fmt.Sprintf("listen on 127.0.0.1 port %d hostname localhost\naction \"keep\" mda \"cat >%s\" user root\n"+
		"match from any for domain \"example.org\" action \"keep\"\n", port, filepath.Join(dir, "mail"))
	require.NoError(t, os.WriteFile(conf, []byte(text), 0o600))
	log = &logBuffer{}
	cmd := exec.Command(program, "-d", "-v", "-f", conf)
	cmd.Stdout, cmd.Stderr = log, log
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGTERM) // its children end with it
		_ = cmd.Wait()
	})
	require.Eventually(t, func() bool {
		c, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", port))
		if err == nil {
			_ = c.Close()
		}
		return err == nil
	}, 15*time.Second, 20*time.Millisecond, "%s", log)
	return port, log
}

func TestMailOnARealServer(t *testing.T) {
	port, log := startSMTPD(t)
	spec := alert.ChannelSpec{Name: "post", Kind: "mail", Host: "127.0.0.1", Port: port, TLS: "none",
		From: "kitchen@example.org", To: []string{"root@example.org"}} // a user this machine has
	answer, err := open(t, spec).Deliver(t.Context(), sample())
	require.NoError(t, err, "%s", log)
	assert.Equal(t, "250 taken by 127.0.0.1", answer)
	eventually(t, "the server has it in its queue", func() bool { return strings.Contains(log.String(), "smtp message msgid=") })

	spec.To = []string{"baker@elsewhere.example"} // a domain this server does not take
	_, err = open(t, spec).Deliver(t.Context(), sample())
	judge(t, err, true)
	assert.Contains(t, err.Error(), "550")
}

// freePort finds a port nobody uses.
func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}
