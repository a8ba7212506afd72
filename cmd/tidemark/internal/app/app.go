package app

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"tidemark/alert"
	"tidemark/alert/answer"
	"tidemark/alert/channel"
	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/sensor"
	"tidemark/web"
	"tidemark/web/access"
)

// Options says what to wire. Config, Clock and Store are needed.
type Options struct {
	Config  *config.Config
	Clock   Clock
	Store   *history.Store
	Backups string       // folder for the daily backups of Store; empty for none
	Log     *slog.Logger // nil is silent
	Demo    bool         // everything watched is invented
	Listen  string       // address of the page; empty serves none
	Version string
	Live    bool          // read the configured sensors
	Routes  []alert.Route // ways to the household; none is right for replay
	// StartTold leaves the start of a rise to a Start event. Without it, the first
	// valid height of a vessel that is not empty starts one if the store has no rise
	// of it.
	StartTold bool
	// Untaught neither learns from past rises nor keeps the curve of one to learn from. It
	// is for a replay, which tells what is published and the one record say.
	Untaught bool
	// Timesync is the folder in which the system says that its clock was set; empty
	// for that of systemd's time client.
	Timesync string
}

// App watches the vessels of one configuration.
type App struct {
	opt     Options
	log     *slog.Logger
	order   []*vessel // in the order of the configuration
	vessels map[string]*vessel
	updates broadcaster
	words   *text.Localizer // of the household

	timesync  string    // folder where the system says that the clock was set
	notBefore time.Time // last sign of life of the run before; zero when there was none
	doubted   bool      // the clock may not have been set yet when this watch began
	spanMu    sync.Mutex
	began     time.Time // of this watch; moves with the clock
	unwatched bake.Span // before this watch, after an unclean stop; moves with the clock
	advanced  time.Time // last; moves with the clock

	page      *web.Server    // nil without one
	window    *access.Window // for setting up; nil: closed from the start
	listeners []net.Listener // of the page, then of the metrics
	servers   []*http.Server // on them
	failed    chan error
	restart   chan struct{}   // receives when the watch has to begin anew: for a restored history or changed settings
	ctx       context.Context // of the watch, from its start on
	cancel    context.CancelFunc
	setup     *setup // nil unless live
	work      sync.WaitGroup

	manager *alert.Manager
	planMu  sync.Mutex // guards planned
	planned planned
	foldMu  sync.Mutex // one journal is folded beside the watch at a time
	answers answer.Key // signs the buttons in messages

	notifications atomic.Pointer[map[string]int] // by state
	reportedAt    time.Time

	lastReadAt    progress                          // of the sensors
	lastAdvanceAt progress                          // by advanceInTime
	samplesLate   atomic.Uint64                     // readings that were due and did not come in time
	heartbeat     atomic.Pointer[channel.Heartbeat] // nil without one
}

// New checks the options and builds the watch of each vessel.
func New(o Options) (*App, error) {
	if o.Config == nil || o.Clock == nil || o.Store == nil {
		return nil, errors.New("app: Options needs Config, Clock and Store")
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	a := &App{opt: o, log: o.Log, vessels: map[string]*vessel{}, failed: make(chan error, 4), words: text.New(LocaleOf(o.Config)), restart: make(chan struct{}, 1), timesync: cmp.Or(o.Timesync, timesyncDir)}
	a.notifications.Store(&map[string]int{})
	if o.Live {
		a.setup = a.newSetup()
	}
	for _, v := range o.Config.Vessels {
		w, err := a.newVessel(v)
		if err != nil {
			return nil, fmt.Errorf("vessel %s: %w", v.Name, err)
		}
		a.vessels[v.Name] = w
		a.order = append(a.order, w)
	}
	a.newManager(context.Background(), o.Routes)
	return a, nil
}

// Start takes up what was under way, opens the page and begins to watch. What
// runs beside ends when ctx does or at Stop.
func (a *App) Start(ctx context.Context) error {
	a.startClock()
	for _, v := range a.order {
		v.awake = a.began
	}
	// A damaged history never keeps the dough from being watched.
	if err := a.takeUp(ctx); err != nil {
		a.log.Error("what was kept cannot be read whole; the watch begins anew where it is missing", "error", err)
	}
	ctx, a.cancel = context.WithCancel(context.WithoutCancel(ctx))
	a.ctx = ctx
	late := func() { // from rises that have taught nothing yet
		for _, v := range a.order {
			a.learn(ctx, v)
		}
	}
	if a.opt.Live {
		a.work.Go(late)
	} else {
		late()
	}
	if a.opt.Listen != "" {
		if err := a.openPage(ctx); err != nil {
			return errors.Join(err, a.Stop(ctx))
		}
	}
	if err := a.startWatching(ctx); err != nil {
		return errors.Join(err, a.Stop(ctx))
	}
	return nil
}

// Stop ends the watch in order: the page, then sensors and messages. What is
// buffered belongs to the store, which the caller closes.
func (a *App) Stop(ctx context.Context) error {
	if a.cancel == nil {
		return nil
	}
	a.cancel()
	err := a.stopServing(ctx)
	if a.setup != nil {
		err = errors.Join(err, a.setup.stopListening())
	}
	a.work.Wait() // after the page: an act there may begin work
	return errors.Join(err, a.manager.Close())
}

// Failed receives an error when a part ends that should not.
func (a *App) Failed() <-chan error { return a.failed }

// Address is where the page is served; empty without one.
func (a *App) Address() string {
	if len(a.listeners) == 0 {
		return ""
	}
	return a.listeners[0].Addr().String()
}

// Observe takes in one sample of a vessel. A vessel that is not configured is
// ignored.
func (a *App) Observe(vessel string, s estimator.Sample) {
	if v := a.vessels[vessel]; v != nil {
		v.mu.Lock()
		v.observe(s)
		v.mu.Unlock()
	}
}

// Advance moves every vessel to now and returns the alarms newly raised.
func (a *App) Advance(now time.Time) []alert.Alarm {
	defer a.updates.notify()
	var all []alert.Change
	sys := a.system()
	trusted, slept := sys.ClockSet, a.slept(now)
	for _, v := range a.order {
		around, loaf := a.around(v.name, now), a.loafOf(v)
		v.mu.Lock()
		if slept {
			v.awake = now
		}
		sys.Awake = v.awake
		all = append(all, v.advance(now, sys, around, loaf)...)
		v.foldAgain()
		v.mu.Unlock()
		sys = alert.System{ClockSet: true, DiskFreeRatio: nan(), Unwatched: sys.Unwatched}
	}
	ctx := context.Background() // what is raised is kept even while stopping
	var raised []alert.Alarm
	for i := range all {
		all[i].ClockSet = trusted
		if all[i].What == alert.WasRaised {
			raised = append(raised, all[i].Alarm)
		}
	}
	a.tell(ctx, all)
	if a.opt.Listen != "" && (len(all) > 0 || time.Since(a.reportedAt) > reportEvery) {
		a.report(ctx)
	}
	return raised
}

// system is the state of the machine. The rules of the first vessel are told: a
// full disk is one warning, not one for each vessel.
func (a *App) system() alert.System {
	if !a.opt.Live {
		return alert.System{ClockSet: true, DiskFreeRatio: nan()}
	}
	s := machineState(a.opt.Config.StateDir, a.opt.Config.Sysfs, a.timesync, time.Now())
	_, s.Unwatched = a.span()
	return s
}

// clockTrusted says whether the wall clock can be trusted, without a look at the
// rest of the machine.
func (a *App) clockTrusted() bool { return !a.opt.Live || clockSet(a.timesync, time.Now()) }

// span returns since when this App watches and how long nobody did before.
func (a *App) span() (began time.Time, unwatched bake.Span) {
	a.spanMu.Lock()
	defer a.spanMu.Unlock()
	return a.began, a.unwatched
}

// vessel finds a vessel.
func (a *App) vessel(name string) (*vessel, error) {
	v := a.vessels[name]
	if v == nil {
		return nil, bake.Refuse("no_vessel", text.Values{"vessel": name})
	}
	return v, nil
}

// State returns what is the case with a vessel; the zero State of one that is not known.
func (a *App) State(vessel string) bake.State {
	v, err := a.hold(vessel)
	if err != nil {
		return bake.State{}
	}
	defer v.mu.Unlock()
	return v.state
}

// Core takes in one reading of the probe in a vessel's loaf. A vessel that is not
// configured is ignored.
func (a *App) Core(vessel string, at time.Time, r sensor.Reading) {
	if v := a.vessels[vessel]; v != nil {
		v.mu.Lock()
		defer v.mu.Unlock()
		v.readings.note(loafRole, r, at)
	}
}
