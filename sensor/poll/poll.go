// Package poll reads sources again and again, each bus by its own goroutine, so
// that a sensor which hangs or fails holds up nobody on another bus. A source that
// others feed has no bus, and takes a goroutine only when there is something to read.
//
// Invariants: one source is never read twice at the same time; every reading ends
// at its deadline, and a source that does not come back by then is reported as a
// fault and left alone until it does; a source that keeps failing is asked less
// and less often, at moments that chance spreads; when the context ends, Run ends.
//
// The package does not open or close sources and knows nothing of vessels.
package poll

import (
	"context"
	"math/rand/v2"
	"sync"
	"time"

	"tidemark/sensor"
)

// Job is one source to be read.
type Job struct {
	Bus      string // jobs with the same name are read one after the other
	Source   sensor.Source
	Quantity sensor.Quantity
	Every    time.Duration // from reading to reading
	Timeout  time.Duration // for one reading; 0 = 10 s, or the source's Patience
	Pace     *Pace         // hurries the job at times; nil = never
	// Deliver gets every reading, faults too. It is called by one goroutine at a time
	// for each bus and must return quickly.
	Deliver func(sensor.Reading)
	// Timed, when given, is told before each Deliver how long the reading took
	// and how many whole intervals passed since it was due.
	Timed func(took time.Duration, missed uint64)
}

// Patient is a source that waits long for each reading, because others decide when
// there is one. It has no bus that might hang: its Read ends with the context, so
// that no goroutine stands by.
type Patient interface {
	Patience() time.Duration
}

// Limits of the polling.
const (
	usualTimeout = 10 * time.Second
	grace        = time.Second      // past its deadline, before a source counts as hanging
	slowest      = 30 * time.Second // between two readings of a failing source
	freeFaults   = 3                // faults in a row before a source is asked less often
)

// worker is a job with its state.
type worker struct {
	Job
	clock   sensor.Clock
	patient bool
	started time.Time // when the last reading began
	due     time.Time
	faults  int                 // in a row
	hanging chan sensor.Reading // the reading that did not come back; nil = none
}

// Run reads the jobs until ctx ends. clock stamps the faults that Run itself
// reports.
func Run(ctx context.Context, clock sensor.Clock, jobs []Job) {
	buses := map[string][]*worker{}
	for _, j := range jobs {
		p, patient := j.Source.(Patient)
		if patient && j.Timeout == 0 {
			j.Timeout = p.Patience()
		}
		if j.Timeout == 0 {
			j.Timeout = usualTimeout
		}
		buses[j.Bus] = append(buses[j.Bus], &worker{Job: j, clock: clock, patient: patient, due: time.Now()})
	}
	var wg sync.WaitGroup
	var solos []*solo
	for _, bus := range buses {
		if src, ok := bus[0].Source.(Awaited); ok && len(bus) == 1 {
			solos = append(solos, &solo{worker: bus[0], ctx: ctx, source: src})
			continue
		}
		wake := make(chan struct{}, 1)
		for _, w := range bus {
			w.Pace.attach(func() {
				select {
				case wake <- struct{}{}:
				default: // the bus is about to look anyway
				}
			})
		}
		wg.Go(func() { runBus(ctx, bus, wake) })
	}
	runSolos(ctx, solos)
	wg.Wait()
}

// runSolos reads the jobs that need no goroutine, until ctx ends.
func runSolos(ctx context.Context, solos []*solo) {
	for _, s := range solos {
		s.begin()
	}
	if len(solos) > 0 {
		<-ctx.Done()
	}
	for _, s := range solos {
		s.end()
	}
}

// runBus reads the jobs of one bus, always the one that is due first.
func runBus(ctx context.Context, bus []*worker, wake <-chan struct{}) {
	for {
		next := bus[0]
		for _, w := range bus[1:] {
			if w.due.Before(next.due) {
				next = w
			}
		}
		timer := time.NewTimer(time.Until(next.due))
		select {
		case <-timer.C:
		case <-wake:
			timer.Stop()
			for _, w := range bus {
				w.hurry()
			}
			continue
		case <-ctx.Done():
			timer.Stop()
			return
		}
		missed := next.start()
		if !next.finish(ctx, next.read(ctx), missed) {
			return
		}
	}
}

// start begins a reading and gives how many whole intervals late it is.
func (w *worker) start() (missed uint64) {
	w.started = time.Now()
	return uint64(max(0, w.started.Sub(w.due)/max(w.Every, 1)))
}

// finish hands a reading on. It is false when ctx has ended: the reading was cut
// short by that, not by a fault.
func (w *worker) finish(ctx context.Context, r sensor.Reading, missed uint64) bool {
	if ctx.Err() != nil {
		return false
	}
	if w.Timed != nil {
		w.Timed(time.Since(w.started), missed)
	}
	w.schedule(r)
	w.Deliver(r)
	return true
}

// read reads the source once.
func (w *worker) read(ctx context.Context) sensor.Reading {
	if w.hanging != nil {
		select {
		case <-w.hanging: // too old to be served
			w.hanging = nil
		default:
			return w.clock.Stamp(w.Quantity).Fault(sensor.ReadFailed, "the sensor has not come back from an earlier reading; its bus hangs")
		}
	}
	limited, cancel := context.WithDeadline(ctx, w.started.Add(w.Timeout))
	defer cancel()
	if w.patient {
		return w.Source.Read(limited)
	}
	got := make(chan sensor.Reading, 1)
	go func() { got <- w.Source.Read(limited) }()
	timer := time.NewTimer(w.Timeout + grace)
	defer timer.Stop()
	select {
	case r := <-got:
		return r
	case <-timer.C:
		w.hanging = got
		return w.clock.Stamp(w.Quantity).Fault(sensor.ReadFailed, "the sensor did not come back within %s; its bus hangs", w.Timeout)
	}
}

// schedule decides when the source is read next: at its pace, or after a growing
// pause when it cannot be reached.
func (w *worker) schedule(r sensor.Reading) {
	switch r.Status {
	case sensor.Missing, sensor.ReadFailed:
		w.faults++
	default:
		w.faults = 0
	}
	every := w.Pace.or(w.Every)
	pause := every
	if extra := w.faults - freeFaults; extra > 0 {
		pause = min(every<<min(extra, 10), max(slowest, every))
		pause = jitter(pause)
	}
	w.due = w.started.Add(pause)
}

// hurry brings the next reading forward when the pace was quickened.
func (w *worker) hurry() {
	every := w.Pace.or(0)
	if soon := w.started.Add(every); every > 0 && soon.Before(w.due) {
		w.due = soon
	}
}

// jitter changes a pause by up to a fifth either way.
func jitter(d time.Duration) time.Duration {
	if d < 5 {
		return d
	}
	return d*4/5 + rand.N(d*2/5)
}
