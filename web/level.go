package web

import (
	"context"
	"fmt"
	"net/http"

	"tidemark/alert/text"
)

// Leveller measures vessels with the sensors that are being watched, while all go
// on being watched. The wiring implements it; all methods may be called from many
// goroutines. A Refusal is shown to the person.
type Leveller interface {
	// Level tells how far the measuring of a vessel is.
	Level(vessel string) (Level, error)
	// LevelEmpty measures the empty vessel, which takes Level.Seconds. What was
	// measured before is forgotten.
	LevelEmpty(ctx context.Context, vessel string) error
	// LevelPour measures after water was poured in; totalL is all the water that is
	// in the vessel now, in litres. It takes Level.Seconds too.
	LevelPour(ctx context.Context, vessel string, totalL float64) error
	// LevelWrite writes the change that was shown under this id and puts it in
	// force. It says in words what became of it.
	LevelWrite(ctx context.Context, vessel, change string) (said string, err error)
	// LevelEnd forgets what was measured and not written.
	LevelEnd(vessel string) error
}

// Level is how far the measuring of a vessel is.
type Level struct {
	Sensor  string  // what measures, in words
	Seconds float64 // how long one level takes
	FloorMM float64 // in force: sensor to the empty floor
	TopMM   float64 // in force: height of the rim over the floor
	Busy    bool    // somebody measures at this moment
	Blocked string  // why nothing can be measured now; empty when it can
	Empty   *LevelReading
	Remarks []string     // what is wrong with how the sensor sits, or good to know
	Pours   []LevelPoint // as measured
	Profile []LevelPoint // that would be written; empty leaves the shape in force
	Old     []LevelPoint // the shape in force, in some points
	Worth   string       // to how many minutes a time is told in it, in words; empty when it is not known
	Change  *LevelChange // nil while there is nothing to write
}

// LevelReading is the measured distance to the empty floor, in mm.
type LevelReading struct {
	MM, SpreadMM, SDMM float64
	Usable, Missed     int // readings
}

// KnownMM is how far MM may be off, 19 times in 20.
func (r LevelReading) KnownMM() float64 { return 2 * r.SDMM }

// LevelPoint is a volume with the height at which it stands.
type LevelPoint struct{ VolumeL, HeightMM float64 }

// LevelChange is what would be written.
type LevelChange struct {
	ID            string // names exactly this change
	File          string
	Backup        string   // where the old file is kept; empty when there is none
	Before, After []string // the lines that differ
}

// levelRoutes names the paths for measuring.
func (s *Server) levelRoutes() {
	const page = "/vessels/{name}/level"
	s.mux.HandleFunc("GET "+page, s.read(s.pageLevel))
	s.mux.HandleFunc("POST "+page, s.change(s.postLevel))
}

// levelPage leads through the measuring of a vessel.
type levelPage struct {
	frame
	Vessel  string
	RiseID  int64
	Level   Level
	Problem string // why the last step was not taken
}

// pageLevel shows the steps.
func (s *Server) pageLevel(w http.ResponseWriter, r *http.Request) error {
	return s.showLevel(w, r, http.StatusOK, "")
}

func (s *Server) showLevel(w http.ResponseWriter, r *http.Request, status int, trouble string) error {
	_, v, err := s.vessel(r)
	if err != nil {
		return err
	}
	level, err := s.opt.Level.Level(v.Vessel)
	if err != nil {
		return err
	}
	return s.render(w, status, "level", levelPage{s.frame(w, r, s.say("level", text.Values{"vessel": v.Vessel}), ""), v.Vessel, v.RiseID, level, trouble})
}

// postLevel takes a step that a form asks for.
func (s *Server) postLevel(w http.ResponseWriter, r *http.Request) error {
	_, v, err := s.vessel(r)
	if err != nil {
		return err
	}
	said, err := s.levelStep(r, v.Vessel)
	if trouble, refused := why(s.words.At(s.opt.Now()), err); refused {
		return s.showLevel(w, r, http.StatusConflict, trouble)
	}
	if err != nil {
		return err
	}
	return s.leadTo(w, r, r.URL.EscapedPath(), said)
}

// levelStep does what a form asks for and says what was done.
func (s *Server) levelStep(r *http.Request, vessel string) (string, error) {
	f, err := s.posted(r)
	if err != nil {
		return "", err
	}
	switch f.text("step") {
	case "empty":
		return s.say("level.said.empty", nil), s.opt.Level.LevelEmpty(r.Context(), vessel)
	case "pour":
		total := f.number("litres")
		if f.err != nil {
			return "", f.err
		}
		return s.say("level.said.pour", text.Values{"litres": fmt.Sprintf("%g", total)}), s.opt.Level.LevelPour(r.Context(), vessel, total)
	case "write":
		return s.opt.Level.LevelWrite(r.Context(), vessel, f.text("change"))
	case "forget":
		return s.say("level.said.forget", nil), s.opt.Level.LevelEnd(vessel)
	}
	return "", refuse("form", nil)
}
