package web

import (
	"context"
	"time"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/history"
)

// History is what is kept of past rises. *history.Store fulfils it.
type History interface {
	Rises(ctx context.Context, f history.Filter) (history.Page, error)
	Rise(ctx context.Context, id int64) (bake.Rise, error)
	Vessels(ctx context.Context) ([]string, error)
	Record(ctx context.Context, id int64) ([]bake.Recorded, error)
	ThinRows(ctx context.Context, id int64, from, until time.Time, n int) ([]bake.Recorded, error)
	Forecasts(ctx context.Context, id int64) ([]history.Forecast, error)
	Events(ctx context.Context, id int64) ([]bake.Event, error)
	Alarms(ctx context.Context, id int64) ([]alert.Alarm, error)
	AddPhoto(ctx context.Context, p history.Photo) (int64, error)
	Photo(ctx context.Context, id int64) (history.Photo, error)
	Photos(ctx context.Context, id int64) ([]history.Photo, error)
	DeletePhoto(ctx context.Context, id int64) error
	Backup(ctx context.Context, file string) error
}
