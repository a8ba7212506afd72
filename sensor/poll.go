package sensor

import (
	"cmp"
	"context"
	"math/rand/v2"
	"slices"
	"sync"
	"sync/atomic"
	"time"
)

// Job is one source to be read again and again.
type Job struct {
	Bus      string // jobs with the same name are read one after the other
	Source   Source
	Quantity Quantity      // that it measures
	Every    time.Duration // from reading to reading
	Timeout  time.Duration // for one reading; 0 = 10 s
	Interval *Interval     // shortens Every at times; nil = never
	// Deliver gets every reading, faults too, unless there is nothing new. It is called
	// by one goroutine at a time for each bus and must return quickly.
	Deliver func(Reading)
	// Timed, when given, is told of each reading, before Deliver, how long it took and
	// how many whole intervals passed since it was due.
	Timed func(took time.Duration, missed uint64)
}

// Limits of the polling.
const (
	pollTimeout = 10 * time.Second
	pollSlowest = 30 * time.Second // between two readings of a failing source
	pollFaults  = 3                // faults in a row before a source is asked less often

	// callQueue is how long a reading waits for an earlier one that has not ended, and
	// callEnd how long Poll waits for those under way.
	callQueue = 100 * time.Millisecond
	callEnd   = 2 * time.Second
)

// pollJob is a Job with its state.
type pollJob struct {
	Job
	started time.Time    // when the last reading began
	next    time.Time    // when the next is due, unless the interval is shortened
	faults  int          // in a row
	call    chan Reading // answers the call under way; nil = there is none
}

// Poll reads the jobs until ctx ends, each bus by a goroutine of its own, so that a
// sensor which fails holds up nobody on another bus. A source that keeps failing
// is asked less and less often, at moments that chance spreads.
//
// A bus or a kernel file may hang for ever: then the reading is a fault at its timeout,
// the call is left to finish alone, and until then no second one is made. Poll neither
// opens nor closes sources; it waits a moment for calls under way before it returns, so
// that they can be closed.
func Poll(ctx context.Context, jobs []Job) {
	buses := map[string][]*pollJob{}
	for _, j := range jobs {
		j.Timeout = cmp.Or(j.Timeout, pollTimeout)
		buses[j.Bus] = append(buses[j.Bus], &pollJob{Job: j, next: time.Now()})
	}
	var wg sync.WaitGroup
	for _, bus := range buses {
		wg.Go(func() { pollBus(ctx, bus) })
	}
	wg.Wait()
	end := time.Now().Add(callEnd)
	for _, bus := range buses {
		for _, j := range bus {
			j.free(time.Until(end))
		}
	}
}

// pollBus reads the jobs of one bus, always the one that is due first. It looks
// every second whether one is to be read faster.
func pollBus(ctx context.Context, bus []*pollJob) {
	for ctx.Err() == nil {
		first := slices.MinFunc(bus, func(a, b *pollJob) int { return a.due().Compare(b.due()) })
		wait := time.Until(first.due())
		timer := time.NewTimer(min(wait, time.Second))
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return
		}
		if wait <= time.Second && ctx.Err() == nil {
			first.read(ctx)
		}
	}
}

// due returns when the source is to be read next.
func (j *pollJob) due() time.Time {
	every := j.Interval.or(0)
	if soon := j.started.Add(every); every > 0 && soon.Before(j.next) {
		return soon
	}
	return j.next
}

// read reads the source once and hands the reading on, unless ctx has ended: then
// the reading was cut short by that, not by a fault. The next is due at its interval, or
// after a growing pause when the source cannot be reached.
func (j *pollJob) read(ctx context.Context) {
	due := j.due()
	j.started = time.Now()
	limited, cancel := context.WithTimeout(ctx, j.Timeout)
	defer cancel()
	r := j.ask(limited)
	if ctx.Err() != nil {
		return
	}
	if j.Timed != nil {
		j.Timed(time.Since(j.started), uint64(max(0, j.started.Sub(due)/max(j.Every, 1))))
	}
	if j.faults++; r.Status != Missing && r.Status != ReadFailed {
		j.faults = 0
	}
	pause := j.Interval.or(j.Every)
	if extra := j.faults - pollFaults; extra > 0 {
		pause = min(pause<<min(extra, 10), max(pollSlowest, pause))
		pause = pause*4/5 + rand.N(pause*2/5+1) // a fifth either way
	}
	j.next = j.started.Add(pause)
	if r.Status != "" {
		j.Deliver(r)
	}
}

// ask makes one call of the source, for at most as long as ctx lasts. What it calls gets
// a little less time, so that it can end in order and say why.
func (j *pollJob) ask(ctx context.Context) Reading {
	if !j.free(callQueue) {
		return Taken(j.Quantity, 0, 0, Fault(ReadFailed, "call.hangs"))
	}
	deadline, _ := ctx.Deadline()
	inner, cancel := context.WithDeadline(ctx, deadline.Add(-time.Until(deadline)/20))
	j.call = make(chan Reading, 1)
	go func(answer chan<- Reading) {
		defer cancel()
		answer <- j.Source.Read(inner)
	}(j.call)
	select {
	case r := <-j.call:
		j.call = nil
		return r
	case <-ctx.Done():
		return Taken(j.Quantity, 0, 0, Fault(ReadFailed, "call.slow"))
	}
}

// free waits for the call under way and reports whether there is none any more. Its
// answer is too old to be of use.
func (j *pollJob) free(wait time.Duration) bool {
	if j.call == nil {
		return true
	}
	timer := time.NewTimer(wait)
	defer timer.Stop()
	select {
	case <-j.call:
		j.call = nil
		return true
	case <-timer.C:
		return false
	}
}

// Interval lets one job be read faster for a while, as when somebody measures a
// vessel. The other jobs of its bus keep their turns. The zero value changes
// nothing; it may be used by several goroutines.
type Interval struct{ every atomic.Int64 }

// Set reads the job every so often from within a second on; 0 goes back to its own
// interval.
func (i *Interval) Set(every time.Duration) { i.every.Store(int64(every)) }

// or returns the interval that was set, or the job's own.
func (i *Interval) or(own time.Duration) time.Duration {
	if i == nil {
		return own
	}
	return cmp.Or(time.Duration(i.every.Load()), own)
}
