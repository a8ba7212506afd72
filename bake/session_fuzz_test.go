package bake

import (
	"encoding/json"
	"math"
	"testing"
	"time"
)

// FuzzSession tells a session whatever at whatever moment, takes back and corrects
// events, and folds again: nothing may panic, and two folds of one journal say the
// same.
func FuzzSession(f *testing.F) {
	f.Add([]byte{0, 0, 1, 2, 30, 3, 3, 60, 9, 20, 5, 1, 5, 120, 0})
	f.Add([]byte{1, 0, 200, 17, 10, 0, 18, 20, 0, 0, 1, 1, 12, 9, 9})
	steps := []string{BulkID, BakeID, OutID, "fold 1", ""}
	f.Fuzz(func(t *testing.T, told []byte) {
		v := testVessel(t)
		s, err := NewSession(v, Learned{})
		if err != nil {
			t.Fatal(err)
		}
		after, id := time.Duration(0), int64(0)
		for told = told[:min(len(told), 60)]; len(told) >= 3; told = told[3:] {
			kind, more := int(told[0])%(len(EventKinds())+2), told[2]
			for until := after + time.Duration(told[1])*4*time.Second; after < until; after += 10 * time.Second {
				s.Observe(sampleAt(after))
			}
			now := day0().Add(after)
			switch kind {
			case len(EventKinds()):
				_, _ = s.Undo(int64(more)%(id+1), now) // refused or not
			case len(EventKinds()) + 1:
				_, _ = s.Correct(int64(more)%(id+1), now.Add(-time.Duration(more)*time.Minute))
			default:
				id++
				e := Event{ID: id, RiseID: 1, Vessel: v.Name, At: now, Told: now, By: "fuzz", Kind: EventKinds()[kind],
					Detail: Detail{TargetPercent: float64(more) * 3, StepID: steps[int(more)%len(steps)], Answer: string(rune(more)), Feed: &Feed{StarterG: float64(more), FlourG: 50, WaterG: 50}}}
				if s.check(e) == nil {
					s.Apply(e)
				}
			}
			_ = s.At(now, Around{CoreC: math.NaN()})
		}
		var states [2]string
		for i := range states {
			fold, _ := s.Again()
			fresh, err := fold(day0().Add(after), nil)
			if err != nil {
				return // the journal makes no sense any more, and that was said
			}
			b, err := json.Marshal(fresh.At(day0().Add(after), Around{CoreC: math.NaN()}).Steps)
			if err != nil {
				t.Fatal(err)
			}
			states[i] = string(b)
		}
		if states[0] != states[1] {
			t.Fatalf("two folds of one journal differ: %s, %s", states[0], states[1])
		}
	})
}
