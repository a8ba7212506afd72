package bake

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/estimator"
)

// TestStateAsJSON: names and units follow from the fields, what is not known is null,
// times are in the household's zone, and the definitions of the steps stay inside.
func TestStateAsJSON(t *testing.T) {
	zone := time.FixedZone("", 3600)
	at := time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)
	s := State{
		At: at.In(zone), Vessel: "tub", Lead: 20 * time.Minute, Status: StatusRising, RiseID: 7,
		Rise:     Rise{ID: 7, StartedAt: at, Batch: []byte(`{"name":"country loaf"}`)},
		Estimate: estimator.Estimate{Time: at, RisePercent: 41.5, RiseSD: 1, DoughC: math.NaN(), LevelMM: 80, Fan: []estimator.FanPoint{{Time: at, P10Percent: 40}}, Rejected: map[string]int{"spike": 2}},
		Steps:    []Step{{ID: "fold-2", Takes: 5 * time.Minute, At: at}},
		Process:  &Process{Batch: Batch{Name: "country loaf"}},
		Events:   []Event{{ID: 3, At: at, Kind: EventPlan, Detail: Detail{StepID: "mix", Plan: &Chosen{Way: "same day"}}}},
	}
	body, err := json.Marshal(s)
	require.NoError(t, err)
	var got map[string]any
	require.NoError(t, json.Unmarshal(body, &got))
	const noon = "2026-03-14T13:00:00+01:00"
	assert.Equal(t, []any{noon, "tub", 1200.0, "rising", 7.0, false}, []any{got["at"], got["vessel"], got["lead_seconds"], got["status"], got["rise_id"], got["working_out"]})
	assert.NotContains(t, got, "process")
	assert.Nil(t, got["care"])
	e := got["estimate"].(map[string]any)
	assert.Equal(t, []any{41.5, 1.0, 80.0, noon}, []any{e["rise_percent"], e["rise_sd"], e["level_mm"], e["time"]})
	assert.Contains(t, e, "dough_c")
	assert.Nil(t, e["dough_c"])
	assert.Equal(t, []any{map[string]any{"time": noon, "p10_percent": 40.0, "p50_percent": 0.0, "p90_percent": 0.0}}, e["fan"])
	assert.Equal(t, map[string]any{"spike": 2.0}, e["rejected"])
	rise := got["rise"].(map[string]any)
	assert.Equal(t, map[string]any{"name": "country loaf"}, rise["batch"])
	assert.Nil(t, rise["ended_at"])
	step := got["steps"].([]any)[0].(map[string]any)
	assert.Equal(t, []any{"fold-2", 300.0}, []any{step["id"], step["takes_seconds"]})
	event := got["events"].([]any)[0].(map[string]any)
	assert.Equal(t, []any{3.0, "plan", "mix"}, []any{event["id"], event["kind"], event["step_id"]})
	assert.Equal(t, "same day", event["plan"].(map[string]any)["way"])
	assert.NotContains(t, event["plan"], "process")
}
