package replay

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark/cmd/tidemark/internal/config"
	"tidemark/sensor/record"
)

// lookShare is the error of a look in these tests, 1 sd, as a share of the volume: what
// marks on a tub may be told to, judgement.
const lookShare = 0.03

// withLooksAt writes a simulated rise as a record of its own with looks at some moments,
// each off by an invented error. Without a sensor the distances go.
func withLooksAt(tb testing.TB, p playedRise, dir string, sensor bool, at []time.Time) playedRise {
	tb.Helper()
	f, err := os.Open(filepath.Join(dir, p.name+".csv"))
	require.NoError(tb, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(tb, err)
	dice := rand.New(rand.NewPCG(uint64(len(rows)), uint64(len(at))))
	var out strings.Builder
	out.WriteString(record.Header + "\n")
	for _, r := range rows[1:] {
		now, err := time.Parse(time.RFC3339, r[0])
		require.NoError(tb, err)
		for len(at) > 0 && !at[0].After(now) {
			seen := p.truth.at(at[0])
			fmt.Fprintf(&out, "%s,,,,look,%.1f\n", at[0].Format(time.RFC3339), seen+lookShare*(100+seen)*dice.NormFloat64())
			at = at[1:]
		}
		if !sensor {
			r[1] = ""
		}
		out.WriteString(strings.Join(r, ",") + ",\n")
	}
	vessel, err := os.ReadFile(filepath.Join(dir, p.name+".yaml"))
	require.NoError(tb, err)
	if !sensor {
		vessel = append(vessel, "    height: {kind: hand}\n"...)
	}
	path := filepath.Join(tb.TempDir(), p.name+".csv")
	require.NoError(tb, os.WriteFile(path, []byte(out.String()), 0o600))
	cfg, err := config.Parse("v.yaml", vessel, config.WithoutSensors)
	require.NoError(tb, err)
	var buf bytes.Buffer
	o := Options{Config: cfg, Record: path, Out: &buf, JSON: true}
	require.NoError(tb, Check(tb.Context(), &o))
	require.NoError(tb, Run(tb.Context(), o))
	p.lines, err = linesOf(&buf)
	require.NoError(tb, err)
	return p
}

// at is the true rise at a moment.
func (x *truth) at(t time.Time) float64 {
	k := int(t.Sub(x.Start).Minutes())
	return x.RisePct[min(max(k, 0), len(x.RisePct)-1)]
}

// halfway is when the true rise stands at half of doubling.
func (x *truth) halfway() time.Time {
	for k, r := range x.RisePct {
		if r >= 50 {
			return x.Start.Add(time.Duration(k) * time.Minute)
		}
	}
	return x.Start
}

// hourly are looks each hour up to the doubling.
func (x *truth) hourly() (out []time.Time) {
	for at := x.Start.Add(time.Hour); at.Before(*x.Doubled); at = at.Add(time.Hour) {
		out = append(out, at)
	}
	return out
}

// TestLooksAlone watches simulated rises without a height sensor, a look each hour: the
// doubling is foretold, the near warning comes in its time, and nothing is said to be
// lost from sight.
func TestLooksAlone(t *testing.T) {
	t.Parallel()
	const lead = 30 * time.Minute // of the rises' vessels
	for _, name := range []string{"003", "008", "009"} {
		t.Run(name, func(t *testing.T) {
			p := playedRise{name: name}
			require.NoError(t, p.readTruth(filepath.Join(simulated, name)))
			got := withLooksAt(t, p, simulated, false, p.truth.hourly())
			require.Nil(t, first(got.lines, "sensor_lost"), "there is no sensor to lose")
			near := first(got.lines, "near")
			require.NotNil(t, near)
			late := near.Time.Sub(p.truth.Doubled.Add(-lead)).Minutes()
			t.Logf("near %+.0f min from when it was due", late)
			require.Less(t, math.Abs(late), 60.0, "between two looks at the worst")
			l := before(got.lines, p.truth.Doubled.Add(-time.Hour))
			require.NotNil(t, l)
			require.NotNil(t, l.Ready)
			require.Less(t, math.Abs(l.Ready.Sub(*p.truth.Doubled).Minutes()), 60.0)
			require.Less(t, math.Abs(*l.Rise-p.truth.at(l.Time)), 3**l.SD)
		})
	}
}

// TestALookCorrectsTheSensor tells a look that is far off what the sensor shows: the
// rise that is told moves towards it.
func TestALookCorrectsTheSensor(t *testing.T) {
	t.Parallel()
	p := playedRise{name: "009"}
	require.NoError(t, p.readTruth(simulated+"009"))
	at := p.truth.halfway()
	plain := withLooksAt(t, p, simulated, true, nil)
	p.truth.RisePct = append([]float64(nil), p.truth.RisePct...)
	for i := range p.truth.RisePct {
		p.truth.RisePct[i] += 15
	}
	looked := withLooksAt(t, p, simulated, true, []time.Time{at})
	a, b := before(plain.lines, at.Add(5*time.Minute)), before(looked.lines, at.Add(5*time.Minute))
	require.Greater(t, *b.Rise, *a.Rise+2)
	require.Less(t, *b.SD, *a.SD+1)
}

// BenchmarkLooks prints what one look at half of the rise buys, and what looks each hour
// without a sensor come to, over the folder given by -rises.
func BenchmarkLooks(b *testing.B) {
	for b.Loop() {
		var without, one, alone []playedRise
		for _, p := range playRises(b, *risesDir, "*") {
			if p.truth.Doubled == nil {
				continue
			}
			without = append(without, p)
			one = append(one, withLooksAt(b, p, *risesDir, true, []time.Time{p.truth.halfway()}))
			alone = append(alone, withLooksAt(b, p, *risesDir, false, p.truth.hourly()))
		}
		fmt.Printf("simulated rises that double\nwithout looks\n%s\none look at half\n%s\nno sensor, a look each hour\n%s", scoreOf(without), scoreOf(one), scoreOf(alone))
	}
}
