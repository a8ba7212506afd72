package app

import (
	"fmt"
	"net"
	"os"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// openFiles is how many files this process holds open.
func openFiles(t *testing.T) int {
	t.Helper()
	all, err := os.ReadDir("/proc/self/fd")
	require.NoError(t, err)
	return len(all)
}

// TestAFloodNeitherBlindsNorGags holds hundreds of connections open that ask
// nothing and opens each anew that is closed, from ten addresses of this machine.
// The rise is watched, its message is sent, and the page holds no more files than
// its share.
func TestAFloodNeitherBlindsNorGags(t *testing.T) {
	t.Parallel()
	const crowd = 800
	const share = 256 // of the page
	var most atomic.Int64
	var all sync.WaitGroup
	stop := make(chan struct{})
	pushed(t, func(b *bench) {
		before := openFiles(t)
		var opened atomic.Int64
		for i := range crowd {
			all.Go(func() { besiege(b.app.Address(), fmt.Sprintf("127.0.0.%d", 10+i%10), &opened, stop) })
		}
		for opened.Load() < 2*crowd { // each was there, and as many came again
			most.Store(max(most.Load(), int64(openFiles(t)-before)))
		}
	})
	close(stop)
	all.Wait()
	assert.LessOrEqual(t, most.Load(), int64(crowd+share+40), "the crowd's own files, the page's share and some room")
}

// besiege keeps one idle connection open until stop.
func besiege(address, from string, opened *atomic.Int64, stop <-chan struct{}) {
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(from)}}
	for {
		c, err := d.Dial("tcp", address)
		if err != nil {
			return // the page has ended
		}
		opened.Add(1)
		shut := make(chan struct{})
		go func() {
			_, _ = c.Read(make([]byte, 1))
			close(shut)
		}()
		select {
		case <-stop:
			_ = c.Close()
			<-shut
			return
		case <-shut:
			_ = c.Close()
		}
	}
}
