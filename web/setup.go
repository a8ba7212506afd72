package web

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"tidemark/web/access"
)

// Setup reads and changes the settings. The wiring implements it; all methods may be
// called from many goroutines. A Refusal is shown to the person.
type Setup interface {
	// Sheet returns the settings as they stand in the file.
	Sheet() (Sheet, error)
	// Save sets values in the file that bears version and puts them in force, at once
	// or by a restart of the watch, which wait tells. It fails with a FieldErrors or a
	// Refusal, and then nothing was changed.
	Save(ctx context.Context, version string, values []Setting) (said string, wait bool, err error)
	// Undo takes the last change made here back.
	Undo(ctx context.Context, version string) (said string, wait bool, err error)
	// Find looks what sensors the machine has and reads each.
	Find(ctx context.Context) []Found
	// Test sends a real message through a channel and says what the other side
	// answered.
	Test(ctx context.Context, channel string) (said string, err error)
	// Restart begins the watch anew, at the address that is open by then.
	Restart()
	// Buses tells whether the machine's sensor buses are off.
	Buses() Buses
	// SwitchBusesOn has them switched on by the package's helper, for which the service
	// begins anew.
	SwitchBusesOn() error
}

// Buses says whether the machine's sensor buses are off, and what can be done.
type Buses string

// What there is to say about the buses.
const (
	BusesFine      Buses = ""
	BusesOff       Buses = "off"     // and can be switched on from here
	BusesAtRestart Buses = "restart" // they are on when the machine starts anew
)

// Setting is a value by its path in the file, such as household.clock; a path of a new
// entry has + for its index. An empty value takes the key out.
type Setting struct{ Path, Value string }

// FieldErrors are messages by the path of what is wrong.
type FieldErrors map[string]string

// Error lists the messages in the order of their paths.
func (e FieldErrors) Error() string {
	var lines []string
	for path, msg := range e {
		lines = append(lines, path+": "+msg)
	}
	slices.Sort(lines)
	return strings.Join(lines, "; ")
}

// Sheet is what the page shows of the settings. It holds no secrets.
type Sheet struct {
	File, Version string
	Problem       string            // why the file is not accepted as it is; empty when it is
	Values        map[string]string // by path
	Vessels       []SheetVessel
	Channels      []SheetChannel
	CanUndo       bool
	Addresses     []string // at which this page is reached, the best first
}

// SheetVessel is a vessel in the file.
type SheetVessel struct{ Name, Shape string }

// SheetChannel is a way for messages in the file.
type SheetChannel struct {
	Name, Kind, Where string
	Fixed             bool // it is changed by hand only
}

// Found is something that a look at the machine's buses found, or the lack of it.
type Found struct {
	Bus, Place, What string
	Value            string // of the last reading, in words; empty when there is none
	Trouble          string // what is wrong, or what to do when nothing was found
	Role             string // what it is proposed for: height, dough, air; empty for none
	Flow             string // how it stands in the file; empty when it cannot
	Quantity         string
	UsedBy           string // the vessel that reads it already
}

// setupRoutes names the paths of the settings.
func (s *Server) setupRoutes() {
	s.mux.HandleFunc("GET /setup", s.serve(s.pageEnter))
	s.mux.HandleFunc("POST /setup", s.sameOrigin(s.postEnter))
	s.mux.HandleFunc("GET /settings", s.people(s.serve(func(w http.ResponseWriter, r *http.Request) error { return s.showSettings(w, r, nil) })))
	s.mux.HandleFunc("GET /settings/sensors", s.people(s.serve(s.partSensors)))
	s.mux.HandleFunc("GET /settings/address.svg", s.people(s.serve(s.addressPicture)))
	s.mux.HandleFunc("POST /settings", s.setting(s.saveSettings))
	s.mux.HandleFunc("POST /settings/buses", s.setting(s.switchBusesOn))
	s.mux.HandleFunc("POST /settings/undo", s.setting(func(_ http.ResponseWriter, r *http.Request) (string, bool, error) {
		return s.opt.Setup.Undo(r.Context(), r.PostFormValue("version"))
	}))
	s.mux.HandleFunc("POST /settings/test", s.setting(func(_ http.ResponseWriter, r *http.Request) (string, bool, error) {
		said, err := s.opt.Setup.Test(r.Context(), r.PostFormValue("channel"))
		return said, false, err
	}))
	s.mux.HandleFunc("POST /settings/passphrase", s.setting(s.setPassphrase))
}

// people lets a request pass that comes from a person who may change things: an
// unlocked browser or this machine, never a program with a token.
func (s *Server) people(next http.HandlerFunc) http.HandlerFunc {
	return s.need(access.Change, func(w http.ResponseWriter, r *http.Request) {
		if s.ask(r).token != nil {
			problem(w, http.StatusForbidden, "not for programs", "The settings are changed by people: unlock a browser with the household passphrase.")
			return
		}
		next(w, r)
	})
}

// wall keeps everybody out who does not ask from this machine, as long as no passphrase
// is set: while the window is open they reach setting up and nothing else.
func (s *Server) wall(next http.Handler) http.Handler {
	if s.opt.Window == nil {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		inside := s.access.Locked(r.Context()) || fromHere(r)
		forAll := r.URL.Path == "/setup" || strings.HasPrefix(r.URL.Path, "/static/") || r.URL.Path == "/favicon.ico"
		switch {
		case inside, forAll && s.opt.Window.Open():
			next.ServeHTTP(w, r)
		case s.opt.Window.Open() && r.Method == http.MethodGet && wantsHTML(r):
			http.Redirect(w, r, "/setup", http.StatusSeeOther)
		default:
			s.refusePage(w, r, http.StatusForbidden, "refused.fresh")
		}
	})
}

// Behind puts another handler behind the same outer wall as the page.
func (s *Server) Behind(h http.Handler) http.Handler { return s.wall(h) }

// pageEnter is the one page that the home network reaches before there is a passphrase.
func (s *Server) pageEnter(w http.ResponseWriter, r *http.Request) error {
	if s.access.Locked(r.Context()) || fromHere(r) || !s.opt.Window.Open() {
		http.Redirect(w, r, "/settings", http.StatusSeeOther)
		return nil
	}
	return s.showEnter(w, r, http.StatusOK, "")
}

func (s *Server) showEnter(w http.ResponseWriter, r *http.Request, status int, wrong string) error {
	return s.render(w, status, "enter", unlockPage{frame: s.frame(w, r, s.say("set.enter.title", nil), "house"), Wrong: wrong})
}

// postEnter takes code and passphrase and lets the browser in.
func (s *Server) postEnter(w http.ResponseWriter, r *http.Request) error {
	phrase := r.PostFormValue("passphrase")
	if phrase != r.PostFormValue("again") {
		return s.showEnter(w, r, http.StatusConflict, s.say("enter.differ", nil))
	}
	err := access.ErrClosed
	if s.opt.Window != nil {
		err = s.opt.Window.Enter(r.PostFormValue("code"), asker(r), s.opt.Now(), func() error {
			session, err := s.access.SetPassphrase(r.Context(), "", phrase, asker(r))
			if err == nil {
				s.letIn(w, r, session)
			}
			return err
		})
	}
	if err == nil {
		return s.leadTo(w, r, "/settings", s.say("enter.set", nil))
	}
	status, wrong, err := s.keptOut(w, err)
	if err != nil {
		return err
	}
	if status == http.StatusForbidden {
		wrong = s.say("enter.wrong", nil)
	}
	return s.showEnter(w, r, status, wrong)
}

// setting answers a form of the settings: with what was done, or with the form again and
// what is wrong with it.
func (s *Server) setting(do func(w http.ResponseWriter, r *http.Request) (said string, wait bool, err error)) http.HandlerFunc {
	return s.people(s.sameOrigin(func(w http.ResponseWriter, r *http.Request) error {
		_, err := s.posted(r)
		var said string
		var wait bool
		if err == nil {
			said, wait, err = do(w, r)
		}
		if err != nil {
			return s.showSettings(w, r, err)
		}
		s.opt.Log.Info("the page of settings was used", "path", r.URL.Path, "from", asker(r), "said", said)
		picture := s.subscribePicture(r)
		if !wait && picture == "" {
			return s.leadTo(w, r, "/settings", said)
		}
		return s.render(w, http.StatusOK, "wait", waitPage{s.frame(w, r, s.say("set.title", nil), "house"), said, s.run, picture, r.PostFormValue("channels[+].url"), r.PostFormValue("channels[+].topic")})
	}))
}

// waitPage waits for the watch to begin anew and goes on to the settings then, or shows
// once how a phone listens to a topic that was just set up.
type waitPage struct {
	frame
	Text, Run       string
	Picture         template.HTML
	Server, Subject string
}

// setPassphrase sets the passphrase, the first or a new one.
func (s *Server) setPassphrase(w http.ResponseWriter, r *http.Request) (string, bool, error) {
	phrase, was := r.PostFormValue("passphrase"), s.access.Locked(r.Context())
	if phrase != r.PostFormValue("again") {
		return "", false, FieldErrors{"passphrase": s.say("enter.differ", nil)}
	}
	session, err := s.access.SetPassphrase(r.Context(), r.PostFormValue("old"), phrase, asker(r))
	if wrong, ok := why(s.words, err); ok {
		return "", false, FieldErrors{"passphrase": wrong}
	}
	if err != nil {
		return "", false, err
	}
	s.letIn(w, r, session)
	if was {
		return s.say("enter.changed", nil), false, nil
	}
	s.opt.Setup.Restart()
	return s.say("enter.opens", nil), true, nil
}

// saveSettings saves the fields of one form.
func (s *Server) saveSettings(_ http.ResponseWriter, r *http.Request) (string, bool, error) {
	var values []Setting
	for path, v := range r.PostForm {
		if strings.ContainsAny(path, ".[") && len(v) == 1 {
			values = append(values, Setting{path, strings.TrimSpace(v[0])})
		}
	}
	slices.SortFunc(values, func(a, b Setting) int { return strings.Compare(a.Path, b.Path) })
	return s.opt.Setup.Save(r.Context(), r.PostFormValue("version"), values)
}

// switchBusesOn switches the sensor buses on, once.
func (s *Server) switchBusesOn(http.ResponseWriter, *http.Request) (said string, wait bool, err error) {
	if s.opt.Setup.Buses() == BusesOff {
		err = s.opt.Setup.SwitchBusesOn()
	}
	return s.say("set.buses.asked", nil), true, err
}

// settingsPage is the page of settings.
type settingsPage struct {
	frame
	Sheet              Sheet
	Typed              url.Values // what was sent and refused; nil when nothing was
	Errors             FieldErrors
	Locked             bool
	Fresh              bool // there is no vessel yet
	Found              []Found
	Buses              Buses
	NotFound, BaseHint string // words that stand beside a value
}

// showSettings shows the settings, after a refused form with what was typed and is wrong.
func (s *Server) showSettings(w http.ResponseWriter, r *http.Request, wrong error) error {
	sheet, err := s.opt.Setup.Sheet()
	if err != nil {
		return err
	}
	p := settingsPage{frame: s.frame(w, r, s.say("set.title", nil), "house"), Sheet: sheet,
		Locked: s.access.Locked(r.Context()), Fresh: len(sheet.Vessels) == 0, Found: s.opt.Setup.Find(r.Context()), Buses: s.opt.Setup.Buses(),
		NotFound: s.say("set.not_found", nil), BaseHint: s.say("set.base.hint", nil)}
	status := http.StatusOK
	if wrong != nil {
		status, p.Typed = http.StatusConflict, r.PostForm
		if !errors.As(wrong, &p.Errors) {
			_, said := s.wrong(wrong)
			p.Errors = FieldErrors{"": said}
		}
	}
	return s.render(w, status, "settings", p)
}

// partSensors answers with the table of sensors alone, to be renewed while people wire.
func (s *Server) partSensors(w http.ResponseWriter, r *http.Request) error {
	sheet, err := s.opt.Setup.Sheet()
	if err != nil {
		return err
	}
	return s.render(w, http.StatusOK, "sensors-found", settingsPage{Sheet: sheet, Found: s.opt.Setup.Find(r.Context())})
}

// Takers are the vessels that have no sensor yet for what one is proposed for, by the
// place of that in the file.
func (p settingsPage) Takers(x Found) map[string]string {
	out := map[string]string{}
	for i, v := range p.Sheet.Vessels {
		at := fmt.Sprintf("vessels[%d].%s", i, x.Role)
		if x.Role != "" && x.Flow != "" && x.Value != "" && x.UsedBy == "" && p.Sheet.Values[at] == "" {
			out[at] = v.Name
		}
	}
	return out
}
