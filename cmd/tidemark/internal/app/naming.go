package app

import (
	"encoding/json"

	"tidemark/web"
)

// usualBatch reports whether a rise that begins now is of the vessel's own batch:
// nobody called it anything else.
func (p *pipe) usualBatch() bool {
	return p.named == "" || p.vessel.Batch != nil && p.named == p.vessel.Batch.Name
}

// withName puts the name that a person gave at the start into what a rise belongs to.
// Another name means another dough, of which no more is known than that.
func (p *pipe) withName(what any) any {
	switch {
	case p.usualBatch():
		return what
	case p.keeping.feed == nil:
		if p.named == web.NoBatch {
			return nil
		}
		return map[string]any{"name": p.named}
	case p.named == web.NoBatch:
		return what
	}
	var fields map[string]any
	body, err := json.Marshal(what)
	if err != nil || json.Unmarshal(body, &fields) != nil {
		return what
	}
	fields["name"] = p.named
	return fields
}
