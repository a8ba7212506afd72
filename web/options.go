package web

import (
	"cmp"
	"errors"
	"log/slog"
	"net/http"
	"os"
	"time"

	"tidemark/alert/text"
	"tidemark/history"
	"tidemark/web/access"
)

// Options are what a Server is made of. Live is needed; the rest may be left
// out and then the parts of the page that need it are left out too.
type Options struct {
	Live     Live
	Planner  Planner         // plans a bake; nil shows no such page
	History  *history.Store  // past rises; nil shows none
	Settings access.Settings // passphrase, sessions, tokens; nil keeps them in memory
	Level    Leveller        // measures vessels; nil offers no measuring
	Setup    Setup           // the settings; nil shows none
	Window   *access.Window  // lets the home network set the first passphrase; nil: it was never open
	Demo     bool            // everything shown is invented
	Again    func()          // begins the invented day anew, soon; nil where that cannot be
	Locale   text.Locale     // how the household reads and writes
	Metrics  http.Handler    // served at /metrics; nil when metrics have their own address
	Log      *slog.Logger
	Now      func() time.Time // nil means time.Now
	// Hosts are the names under which the page may be asked for, besides
	// localhost, IP addresses and names ending in .local; they guard against
	// another site's name pointing here.
	Hosts       []string
	OpenReading bool // reading needs no passphrase once one is set
	Secure      bool // served over TLS or behind a proxy that does: cookies are marked so
	// Upkeep restores backups and imports records; nil offers neither.
	Upkeep Upkeep
	// UploadDir holds uploads while they are checked; empty means the system's
	// temporary folder. It needs room for two copies of the history.
	UploadDir string
	// The largest uploads in bytes; 0 means 12 MiB, 64 MiB and 1 GiB.
	PhotosMax, RecordsMax, BackupsMax int64
}

// withDefaults fills in what was left out.
func (o Options) withDefaults() (Options, error) {
	if o.Live == nil {
		return o, errors.New("web: Options.Live is missing; hand in what is being watched")
	}
	o.Log, o.Settings = cmp.Or(o.Log, slog.New(slog.DiscardHandler)), cmp.Or[access.Settings](o.Settings, access.NewMemory())
	if o.Now == nil {
		o.Now = time.Now
	}
	o.PhotosMax, o.RecordsMax, o.BackupsMax = cmp.Or(o.PhotosMax, defaultPhotosMax), cmp.Or(o.RecordsMax, defaultRecordsMax), cmp.Or(o.BackupsMax, defaultBackupsMax)
	o.UploadDir = cmp.Or(o.UploadDir, os.TempDir())
	return o, nil
}
