// Package chart draws one rise as one picture: the measured line, the mark,
// the forecast as a fan that widens with doubt, folds and moves as ticks with
// words, and a strip of temperatures below on the same time axis.
//
// Units: rise in percent of volume (0 = start, 100 = doubled), temperature in
// degrees Celsius (shown in Fahrenheit on request), sizes in pixels. The band
// round the measured line and the fan both hold 8 of 10 cases.
//
// The picture is drawn through a small canvas with two backends: SVG, coloured
// by the CSS classes of the page or by a style of its own, and PNG for push
// messages. The same model gives the same bytes.
//
// The picture for messages is painted by git.sr.ht/~sbinet/gg with the letters of the Go
// fonts; SVG is written out, since no kept library gives it the page's classes.
//
// The package does not fetch, smooth or judge data: it draws what it is given.
package chart

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/estimator"
)

// Sample is one moment of the measured line. Missing values are NaN. For a
// rejected reading RisePercent is the rise it would have meant.
type Sample struct {
	Time         time.Time
	RisePercent  float64 // percent of the starting volume, 0 = start
	SD           float64 // standard deviation of RisePercent, percentage points; NaN or 0 when unknown
	DoughC, AirC float64 // Celsius
	Rejected     bool    // the reading was not believed
}

// believed is the rise of a sample; NaN when it was not believed.
func (s Sample) believed() float64 {
	if s.Rejected {
		return math.NaN()
	}
	return s.RisePercent
}

// Event is something that happened, shown as a tick with a word.
type Event struct {
	Time time.Time
	Word string // one or two short words: "fold 2", "fridge"
}

// Mark is the target level with its name. A Percent of NaN or 0 draws none.
type Mark struct {
	Percent float64
	Name    string // e.g. "doubled"
}

// Chart is the model of one picture.
type Chart struct {
	ID       string // prefix of the ids inside an SVG, unique on a page
	Class    string // further CSS classes of an SVG
	Title    string // e.g. the vessel's name; drawn unless Untitled
	Untitled bool   // the page around it has the title already
	Samples  []Sample
	Fan      []estimator.FanPoint
	Mark     Mark
	Ready    estimator.Window // 80 % window of reaching the mark; zero for none
	Now      time.Time        // zero for a rise that is over
	Events   []Event
	Locale   *text.Localizer // how the household reads; nil: English, 24 hours, Celsius, UTC
	Alt      string          // the picture in words
	Best     []Sample        // the household's best rise, moved to this start; nil for none
	// Lines are rises laid over each other, all begun at Origin, with their numbers; the
	// axis then counts hours, and AxisWords says of what. Nil for none.
	Lines         [][]Sample
	AxisWords     string
	Width, Height int // pixels; 0 means 720 by 420
}

// Origin is where the Lines of a Chart begin.
func Origin() time.Time { return time.Unix(0, 0).UTC() }

// all returns every sample whose rise must be on the paper.
func (c Chart) all() []Sample {
	return append(slices.Concat(c.Lines...), c.Samples...)
}

// The sizes in use, in pixels: a phone held upright, a wide screen, a push
// message.
const (
	NarrowWidth  = 340
	NarrowHeight = 400
	WideWidth    = 820
	WideHeight   = 430
	PushWidth    = 800
	PushHeight   = 480
)

// withDefaults fills in what was left out.
func (c Chart) withDefaults() Chart {
	if c.Locale == nil {
		c.Locale = text.New(text.Locale{})
	}
	if c.Width <= 0 || c.Height <= 0 {
		c.Width, c.Height = 720, 420
	}
	if c.ID == "" {
		c.ID = "chart"
	}
	return c
}

// hasMark reports whether there is a mark to draw.
func (c Chart) hasMark() bool { return finite(c.Mark.Percent) && c.Mark.Percent > 0 }

// markLabel names the mark.
func (c Chart) markLabel() string {
	if c.Mark.Name == "" {
		return fmt.Sprintf("%.0f %%", c.Mark.Percent)
	}
	return c.Mark.Name
}

// titled reports whether the title is drawn.
func (c Chart) titled() bool { return c.Title != "" && !c.Untitled }

// zone is the household's; rises laid over each other count from Origin.
func (c Chart) zone() *time.Location {
	if c.Lines != nil {
		return time.UTC
	}
	return c.Locale.Locale().Zone
}

// say says a word of the picture.
func (c Chart) say(key string) string { return c.Locale.Say("page."+key, nil) }

// temperature turns Celsius into the household's unit.
func (c Chart) temperature(celsius float64) float64 {
	if c.Locale.Locale().Fahrenheit {
		return celsius*9/5 + 32
	}
	return celsius
}

// hour writes a full hour as short as it goes.
func (c Chart) hour(t time.Time) string {
	return strings.Replace(c.Locale.Clock(t), ":00 ", " ", 1)
}

// day writes a day without its year.
func (c Chart) day(t time.Time) string {
	return strings.TrimSpace(strings.Replace(c.Locale.Date(t), t.Format("2006"), "", 1))
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// moment writes a time, with the weekday when it is not the day of the chart.
func (c Chart) moment(t time.Time) string {
	of := c.Now
	if of.IsZero() && len(c.Samples) > 0 {
		of = c.Samples[0].Time
	}
	return c.Locale.At(of).Clock(t)
}
