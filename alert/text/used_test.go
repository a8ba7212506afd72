package text

import (
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/bake/planner"
	"tidemark/estimator"
)

// sources hands on what the files of the program that are no tests say, below a folder.
func sources(t *testing.T, folder string, each func(path, source string)) {
	t.Helper()
	err := filepath.WalkDir(filepath.Join("..", "..", folder), func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		source, err := os.ReadFile(path)
		each(path, string(source))
		return err
	})
	require.NoError(t, err)
}

// TestEveryKeyThatIsSaidIsThere looks through the program for the keys of sentences: where
// they are said, as the small functions of package bake name them, and where package web
// refuses. What a pattern finds holds names in quotes.
func TestEveryKeyThatIsSaidIsThere(t *testing.T) {
	en, err := Load("en")
	require.NoError(t, err)
	names := regexp.MustCompile(`"([a-z0-9_.-]*[a-z0-9])"`)
	for _, c := range []struct {
		folder, pattern string
		keys            string // those of a name
	}{
		{"", `\.Say\(("[^"]*")`, "%"}, {"", `\.SayN\(("[^"]*")`, "%.one %.many"},
		{"bake", `Said\{(?:Key: )?("[^"]*")[,}]`, "%"}, {"bake", `[^.]\bsay\(([^)]*)\)`, "%"},
		{"bake", `cautions\(([^)]*)\)`, "caution.%"}, {"bake", `Warn: \[\]string\{([^}]*)\}`, "caution.%"},
		{"bake", `because\(("[^"]*")[,)]`, "plan.%"}, {"bake", `\bnote\(("[^"]*"),`, "plan.note.%"}, {"bake", `\bcannot\(("[^"]*")[,)]`, "plan.refused.%"},
		{"bake", `found\(("[^"]*")[,)]`, "starter.% starter.%.seen"},
		{"bake", `, Key: ("[^"]*")`, "step.%.name step.%.do"}, {"bake", `(?:\.Key|, key|, open) = ("[^"]*"(?:, "[^"]*")?)`, "step.%.do"},
		{"cmd/tidemark/internal/app", `\b(?:Refuse|because)\(("[a-z_]*")`, "refused.%"},
		{"web", `refuse\(("[a-z_.]*")`, "page.refused.%"}, {"web", `refusePage\(.*("refused\.[a-z_.]*[a-z]")`, "page.%"},
	} {
		found := 0
		sources(t, c.folder, func(path, source string) {
			for _, m := range regexp.MustCompile(c.pattern).FindAllStringSubmatch(source, -1) {
				for _, n := range names.FindAllStringSubmatch(m[1], -1) {
					found++
					for _, k := range strings.Fields(c.keys) {
						assert.Contains(t, en, strings.Replace(k, "%", n[1], 1), path)
					}
				}
			}
		})
		assert.NotZero(t, found, c.pattern)
	}
}

// TestEveryFaultOfASensorIsThere looks through package sensor for the sentences of its
// faults, each with its values.
func TestEveryFaultOfASensorIsThere(t *testing.T) {
	en, err := Load("en")
	require.NoError(t, err)
	seen := map[string]bool{}
	sources(t, "sensor", func(path, source string) {
		for pattern, prefix := range map[string]string{`\bFault\([^,"]+, "([a-z0-9_.]+)"(.*)`: "fault.", `[^.]fault\("([a-z]+)"(.*)`: "fault.broker.", `\.fault\("([a-z.]+)"(.*)`: "fault.",
			`[^c] wrong\([^,]+, "([a-z0-9_]+)"(.*)`: "refused.sensor."} {
			for _, m := range regexp.MustCompile(pattern).FindAllStringSubmatch(source, -1) {
				key := prefix + m[1]
				seen[key] = true
				if en[key] == "" && key != "fault.broker." {
					t.Errorf("%s: no sentence for %s", path, key)
				}
				for _, name := range placeholders(en[key]) {
					assert.Contains(t, m[2], `"`+name+`", `, key)
				}
			}
		}
	})
	for key := range en {
		if strings.HasPrefix(key, "fault.") {
			assert.True(t, seen[key], "%s is said by no sensor", key)
		}
	}
}

// TestEverySentenceOfABakeIsWhole lays out bakes of every kind, and plans them, in every
// language: no sentence is missing, and none lacks a value.
func TestEverySentenceOfABakeIsWhole(t *testing.T) {
	start := time.Date(2026, 3, 7, 8, 0, 0, 0, time.UTC)
	nan := math.NaN()
	laid := func(p bake.Process) []bake.Step {
		return p.Steps(start.Add(9*time.Hour), estimator.Estimate{AirC: nan, DoughC: nan, RisePercent: nan})
	}
	for _, language := range languages() {
		l := New(Locale{Language: language})
		whole := func(list ...bake.Said) {
			for _, s := range list {
				if text := l.Tell(s); s.Key != "" {
					assert.NotContains(t, text, "{", s.Key)
					assert.NotEqual(t, s.Key, text, language)
				}
			}
		}
		for _, flour := range []string{"strong wheat", "whole rye"} {
			for _, more := range [][]bake.Inclusion{nil, {{Name: "butter", Grams: 200}}, {{Name: "milk", Grams: 200}, {Name: "walnuts", Grams: 80}, {Name: "gizmo", Grams: 20}}} {
				for _, ware := range []bake.Ware{"", bake.Pot, bake.Tin, bake.Stone, bake.Tray} {
					b := bake.Batch{Flours: []bake.Flour{{Name: flour, Grams: 900}}, WaterG: 640, Levain: bake.Levain{Grams: 200, HydrationPercent: 100}, SaltG: 20, Loaves: 14, AtOnce: 7, Inclusions: more, BakeIn: ware}
					p := bake.NewProcess(b, start, 22)
					for _, s := range append(append(laid(p), laid(p.Retarded())...), laid(p.TubRetarded())...) {
						whole(append(append(append(bake.Sentences{s.Name, s.Do, s.Question}, s.Caution...), s.Why...), b.Warnings()...)...)
					}
					plans, err := planner.Make(planner.Request{Now: start, ReadyAt: start.Add(30 * time.Hour), Batch: b, RoomC: 17, Starter: planner.Starter{ColdDays: 9}, MilkInTheWarm: true})
					require.NoError(t, err)
					for _, p := range plans {
						whole(p.Name())
						whole(p.Why...)
						whole(p.Notes...)
					}
				}
			}
		}
	}
}
