package web

import (
	"context"
	"encoding/json"
	"fmt"
	"html/template"
	"sync"
	"time"

	"tidemark/web/chart"
	"tidemark/web/past"
)

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
		acts, err := json.Marshal(rec.Journal)
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
	c := past.Chart(rec, s.words)
	d := drawn{key: key, wide: svg(c, "r-w", "wide", chart.WideWidth, chart.WideHeight, chart.Inline), narrow: svg(c, "r-n", "narrow", chart.NarrowWidth, chart.NarrowHeight, chart.Beside)}
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
