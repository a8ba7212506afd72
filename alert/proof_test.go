package alert

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
)

func TestProof(t *testing.T) {
	ago := func(d time.Duration) func() time.Time { return func() time.Time { return time.Now().Add(-d) } }
	synctest.Test(t, func(t *testing.T) {
		for _, c := range []struct {
			name   string
			sample func() time.Time
			store  func() time.Time
			out    func() time.Time
			want   string
		}{
			{"all moves", ago(5 * time.Second), ago(time.Minute), ago(time.Second), ""},
			{"sampling hangs", ago(2 * time.Minute), ago(time.Minute), ago(time.Second), "sampling stands still for 2m0s; more than 1m0s is too long"},
			{"storing hangs", ago(time.Second), ago(time.Hour), ago(time.Second), "storing stands still for 1h0m0s; more than 5m0s is too long"},
			{"delivering hangs", ago(time.Second), ago(time.Second), ago(time.Hour), "delivering stands still for 1h0m0s; more than 1m0s is too long"},
			{"not begun", func() time.Time { return time.Time{} }, nil, nil, "sampling has not begun"},
			{"nothing to look at", nil, nil, nil, ""},
		} {
			err := (&Proof{Sampled: c.sample, Stored: c.store, Delivered: c.out}).Check()
			if c.want == "" {
				assert.NoError(t, err, c.name)
			} else {
				assert.EqualError(t, err, c.want, c.name)
			}
		}
	})
}
