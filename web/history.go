package web

import (
	"context"

	"tidemark/history"
)

// History is what is kept of past rises. *history.Store fulfils it.
type History interface {
	Rises(ctx context.Context, f history.Filter) (history.Page, error)
	Rise(ctx context.Context, id int64) (history.Rise, error)
}
