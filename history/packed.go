package history

import (
	"math"
	"time"
	"unique"

	"tidemark/estimator"
)

// packedRow is a sample as it waits for the disk: as precise as the file keeps it, in
// half the memory of a Row.
type packedRow struct {
	riseID, ms      int64
	values          [6]int32 // thousandths, in the order of valuesOf; none when missing
	rejected, event unique.Handle[string]
}

// none is what a missing value is packed as.
const none = math.MinInt32

// valuesOf lists the measurements of a row in the order of the file's columns.
func valuesOf(r *Row) [6]*float64 {
	return [6]*float64{&r.DistanceMM, &r.DoughC, &r.AirC, &r.RisePercent, &r.RiseSD, &r.EquivHours}
}

// pack packs a sample. What is too large to be a measurement counts as missing.
func pack(r RiseRow) packedRow {
	p := packedRow{riseID: r.RiseID, ms: r.Row.Time.UnixMilli(), rejected: unique.Make(r.Row.Rejected), event: unique.Make(string(r.Row.Event))}
	for i, v := range valuesOf(&r.Row) {
		p.values[i] = none
		if n, ok := milli(*v).(int64); ok && n > math.MinInt32 && n <= math.MaxInt32 {
			p.values[i] = int32(n)
		}
	}
	return p
}

// unpack is the way back.
func (p packedRow) unpack() RiseRow {
	r := RiseRow{RiseID: p.riseID, Row: Row{Time: time.UnixMilli(p.ms).UTC(), Rejected: p.rejected.Value(), Event: estimator.Event(p.event.Value())}}
	for i, v := range valuesOf(&r.Row) {
		*v = math.NaN()
		if n := p.values[i]; n != none {
			*v = float64(n) / 1000
		}
	}
	return r
}

// unpackAll unpacks samples.
func unpackAll(rows []packedRow) []RiseRow {
	out := make([]RiseRow, len(rows))
	for i, p := range rows {
		out[i] = p.unpack()
	}
	return out
}
