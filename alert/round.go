package alert

import "context"

// Round looks at the notifications once and begins every delivery that is due. It is
// for a watch whose clock does not run as the machine's does; all others call Run.
func (o *Outbox) Round(ctx context.Context) { o.round(ctx) }

// UnderWay returns how many deliveries have begun and not ended.
func (o *Outbox) UnderWay() int {
	o.mu.Lock()
	defer o.mu.Unlock()
	n := 0
	for _, l := range o.queues {
		if l.busy {
			n++
		}
	}
	return n
}
