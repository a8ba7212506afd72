package app

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
)

// keeper is where a pipe keeps what it saw.
type keeper interface {
	begin(r history.Rise) int64
	act(a history.Act) int64
	row(riseID int64, r history.Row)
	update(r history.Rise)
	end(r history.Rise)
	process(riseID int64, p bake.Process)
	sensor(vessel string, s estimator.Sensor)
	plan(vessel string, f *followed) // nil: it follows none
}

// forgetful keeps nothing; it only counts rises, so that alarms have an ID.
type forgetful struct{ rises int64 }

func (f *forgetful) begin(history.Rise) int64        { f.rises++; return f.rises }
func (f *forgetful) act(history.Act) int64           { return 0 }
func (f *forgetful) row(int64, history.Row)          {}
func (f *forgetful) update(history.Rise)             {}
func (f *forgetful) end(history.Rise)                {}
func (f *forgetful) process(int64, bake.Process)     {}
func (f *forgetful) sensor(string, estimator.Sensor) {}
func (f *forgetful) plan(string, *followed)          {}

// diary keeps everything in the store. A failing store is logged and told by
// its Health: watching goes on.
type diary struct {
	store *history.Store
	log   *slog.Logger
}

// begin starts a stored rise and returns its ID.
func (d *diary) begin(r history.Rise) int64 {
	id, err := d.store.BeginRise(context.Background(), r)
	d.report("begin of a rise", id, err)
	return id
}

// act writes down what was done and returns its number; 0 when that failed.
func (d *diary) act(a history.Act) int64 {
	id, err := d.store.KeepDeed(context.Background(), history.Deed{Act: a})
	d.report("act", a.RiseID, err)
	return id
}

// row hands a sample to the store's buffer.
func (d *diary) row(riseID int64, r history.Row) {
	d.report("sample", riseID, d.store.AppendRow(riseID, r))
	if r.Event != "" {
		d.store.FlushSoon()
	}
}

// update writes what changed about a rise.
func (d *diary) update(r history.Rise) {
	d.report("rise", r.ID, d.store.UpdateRise(context.Background(), r))
}

// end closes a stored rise.
func (d *diary) end(r history.Rise) {
	d.report("end of a rise", r.ID, d.store.EndRise(context.Background(), r))
}

// process keeps the step list of a rise.
func (d *diary) process(riseID int64, p bake.Process) {
	if body := d.encode(riseID, p); body != nil {
		d.report("steps", riseID, d.store.SaveProcess(context.Background(), riseID, body))
	}
}

// encode makes of a step list what is stored; nil when there is no rise yet: it is kept
// with the rise's first step.
func (d *diary) encode(riseID int64, p bake.Process) []byte {
	if riseID == 0 {
		return nil
	}
	body, err := json.Marshal(p)
	d.report("steps", riseID, err)
	return body
}

// plan keeps the plan that a vessel follows.
func (d *diary) plan(vessel string, f *followed) {
	s, ctx, key := d.store.Settings(), context.Background(), planPrefix+vessel
	if f == nil {
		d.report("plan", 0, s.Delete(ctx, key))
		return
	}
	body, err := json.Marshal(f)
	if err == nil {
		err = s.Set(ctx, key, body)
	}
	d.report("plan", f.Rise, err)
}

// sensorKey is where it is kept what was learnt of a vessel's distance sensor when
// its latest rise began.
func sensorKey(vessel string) string { return "sensor/" + vessel }

// sensor keeps what was learnt of a distance sensor.
func (d *diary) sensor(vessel string, s estimator.Sensor) {
	body, err := json.Marshal(s)
	if err == nil {
		err = d.store.Settings().Set(context.Background(), sensorKey(vessel), body)
	}
	if errors.Is(err, history.ErrMemoryOnly) {
		err = nil // it is learnt again
	}
	d.report("what was learnt of a sensor", 0, err)
}

// report logs a failure to keep something.
func (d *diary) report(what string, rise int64, err error) {
	if err != nil {
		d.log.Warn("history did not take a record", "what", what, "rise", rise, "error", err)
	}
}
