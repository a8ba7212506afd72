package web

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"html/template"
	"sync"
	"time"

	"tidemark/history"
	"tidemark/web/chart"
	"tidemark/web/past"
)

// lookCache keeps what the last rises teach: finding out takes far longer than
// reading them. It holds for as long as they are the same.
type lookCache struct {
	mu       sync.Mutex
	key      [sha256.Size]byte
	starters []past.Starter
	common   []string
}

// get returns what rises teach, worked out anew when they changed.
func (c *lookCache) get(s *Server, rises []history.Rise) ([]past.Starter, []string) {
	key := keyOf(rises)
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.common == nil || c.key != key {
		c.key = key
		c.starters, c.common = past.Starters(rises, s.opt.House), past.InCommon(rises, s.opt.House)
	}
	return c.starters, c.common
}

// keyOf stands for all that is known of rises. One that is under way changes all
// the time and teaches nothing yet.
func keyOf(rises []history.Rise) [sha256.Size]byte {
	sum := sha256.New()
	for _, r := range rises {
		if !r.UnderWay() {
			fmt.Fprintf(sum, "%+v\n", r)
		}
	}
	return [sha256.Size]byte(sum.Sum(nil))
}

// keptCharts is how many drawn charts of past rises are kept, some 80 kB each.
const keptCharts = 16

// pastCharts keeps the drawn charts of rises that ended.
type pastCharts struct {
	mu    sync.Mutex
	drawn map[int64]drawn
	order []int64 // oldest first
}

// pastChart draws a past rise in both sizes, or takes what was drawn before.
func (s *Server) pastChart(ctx context.Context, rec past.Record) (wide, narrow template.HTML, err error) {
	key := ""
	if !rec.Rise.UnderWay() {
		acts, err := json.Marshal(rec.Acts)
		if err != nil {
			return "", "", err
		}
		key = fmt.Sprintf("%+v %s", rec.Rise, acts)
		if d, ok := s.past.get(rec.Rise.ID); ok && d.key == key {
			return d.wide, d.narrow, nil
		}
	}
	if rec.Rows, err = s.opt.History.ThinRows(ctx, rec.Rise.ID, time.Time{}, time.Time{}, chartRows); err != nil {
		return "", "", err
	}
	c := past.Chart(rec, s.opt.House)
	d := drawn{key: key, wide: svg(c, "r-w", "wide", chart.WideWidth, chart.WideHeight), narrow: svg(c, "r-n", "narrow", chart.NarrowWidth, chart.NarrowHeight)}
	if key != "" {
		s.past.put(rec.Rise.ID, d)
	}
	return d.wide, d.narrow, nil
}

func (p *pastCharts) get(id int64) (drawn, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	d, ok := p.drawn[id]
	return d, ok
}

// put keeps a chart; beyond keptCharts the one that was drawn first goes.
func (p *pastCharts) put(id int64, d drawn) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.drawn == nil {
		p.drawn = map[int64]drawn{}
	}
	if _, there := p.drawn[id]; !there {
		p.order = append(p.order, id)
	}
	p.drawn[id] = d
	if len(p.order) > keptCharts {
		delete(p.drawn, p.order[0])
		p.order = p.order[1:]
	}
}
