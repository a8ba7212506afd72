package history

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io"
	"math"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/estimator"
	"tidemark/sensor/record"
)

// exported is a store with one rise to export.
func exported(t *testing.T) (*Store, int64, []Row) {
	t.Helper()
	s := openTest(t, Options{FlushEvery: time.Hour})
	r := fullRise()
	r.MaxRate = math.NaN()
	id, err := s.BeginRise(t.Context(), r)
	require.NoError(t, err)
	var rows []Row
	for i := range 300 {
		r := invented(t0, i)
		switch i {
		case 10:
			r.Event = estimator.Fold
		case 11:
			r.DistanceMM, r.RisePercent, r.Rejected = math.NaN(), math.NaN(), `lid, "half" open`
		}
		rows = append(rows, r)
		require.NoError(t, s.AppendRow(id, r))
	}
	_, err = s.AddAct(t.Context(), Act{RiseID: id, At: t0, Kind: "fold", By: "page", Data: []byte(`{"n":1}`)})
	require.NoError(t, err)
	require.NoError(t, s.AppendForecast(ForecastRow{RiseID: id, At: t0, Ready: estimator.Window{From: t0, Median: t0, Until: t0}, ReachChance: math.NaN()}))
	return s, id, rows
}

func TestCSVAgreesToTheDigit(t *testing.T) {
	s, id, rows := exported(t)
	var out bytes.Buffer
	require.NoError(t, s.WriteCSV(t.Context(), &out, id, time.FixedZone("", 3600)))
	lines, err := csv.NewReader(&out).ReadAll()
	require.NoError(t, err)
	require.Len(t, lines, len(rows)+1)
	for i, r := range rows {
		r = rounded(r)
		l := lines[i+1]
		at, err := time.Parse(time.RFC3339Nano, l[0])
		require.NoError(t, err)
		assert.True(t, at.Equal(r.Time))
		for k, v := range []float64{r.DistanceMM, r.DoughC, r.AirC, r.RisePercent, r.RiseSD, r.EquivHours} {
			if math.IsNaN(v) {
				assert.Empty(t, l[k+1])
				continue
			}
			got, err := strconv.ParseFloat(l[k+1], 64)
			require.NoError(t, err)
			assert.Equal(t, v, got)
		}
		assert.Equal(t, r.Rejected, l[7])
		assert.Equal(t, string(r.Event), l[8])
	}
}

func TestRecordIsReadBack(t *testing.T) {
	s, id, rows := exported(t)
	var out bytes.Buffer
	require.NoError(t, s.WriteRecord(t.Context(), &out, id, time.UTC))
	assert.Equal(t, record.Header, RecordHeader)
	rd, err := record.Open(&out, "export")
	require.NoError(t, err)
	for i, want := range rows {
		want = rounded(want)
		got, err := rd.Next()
		require.NoError(t, err)
		assert.True(t, got.Time.Equal(want.Time))
		assert.InDelta(t, 0, nanZero(got.DistanceMM-want.DistanceMM), 1e-9)
		if i == 0 {
			assert.Equal(t, "start", got.Event)
		} else {
			assert.Equal(t, string(want.Event), got.Event)
		}
	}
	_, err = rd.Next()
	require.ErrorIs(t, err, io.EOF)
}

// nanZero is 0 for NaN: both were missing.
func nanZero(v float64) float64 {
	if math.IsNaN(v) {
		return 0
	}
	return v
}

func TestJSONExport(t *testing.T) {
	s, id, rows := exported(t)
	var out bytes.Buffer
	require.NoError(t, s.WriteJSON(t.Context(), &out, id))
	var got struct {
		Rise      map[string]any   `json:"rise"`
		Acts      []map[string]any `json:"acts"`
		Forecasts []map[string]any `json:"forecasts"`
		Samples   []map[string]any `json:"samples"`
	}
	require.NoError(t, json.Unmarshal(out.Bytes(), &got))
	assert.Equal(t, "tub", got.Rise["vessel"])
	assert.Nil(t, got.Rise["max_rate_percent_per_hour"])
	assert.Equal(t, map[string]any{"flour": 500.0}, got.Rise["batch"])
	assert.Len(t, got.Acts, 1)
	assert.Nil(t, got.Forecasts[0]["reach_chance"])
	require.Len(t, got.Samples, len(rows))
	assert.Equal(t, "fold", got.Samples[10]["event"])
	assert.Nil(t, got.Samples[11]["distance_mm"])
	assert.Equal(t, `lid, "half" open`, got.Samples[11]["rejected"])
	assert.Equal(t, rounded(rows[12]).RisePercent, got.Samples[12]["rise_percent"])
}

func TestExportFailures(t *testing.T) {
	s, id, _ := exported(t)
	for name, write := range map[string]func(w io.Writer, id int64) error{
		"csv":    func(w io.Writer, id int64) error { return s.WriteCSV(t.Context(), w, id, time.UTC) },
		"record": func(w io.Writer, id int64) error { return s.WriteRecord(t.Context(), w, id, time.UTC) },
		"json":   func(w io.Writer, id int64) error { return s.WriteJSON(t.Context(), w, id) },
	} {
		assert.ErrorIs(t, write(io.Discard, 99), ErrNotFound, name)
		assert.ErrorIs(t, write(fullWriter{}, id), errFull, name)
	}
}

var errFull = errors.New("full")

// fullWriter takes nothing.
type fullWriter struct{}

func (fullWriter) Write([]byte) (int, error) { return 0, errFull }
