package page

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/web"
	"tidemark/web/access"
)

// TestWalks takes every walk of testdata/walks: what a browser without scripts, or a
// program, asks of a kitchen, and what it is answered. A walk begins with its name and its
// house, "== NAME (HOUSE [N])", where N rises are past. Each line after it is one of these;
// a code that is left out is 200, for a form 303:
//
//	as WHO [FROM [HOST]]           another browser asks from here on, from an address
//	[CODE] GET PATH                a page is asked for
//	[CODE] POST PATH FORM          a form is sent, written like a query
//	[CODE] SEND TEXT [FORM]        the form of the page with this text is sent, with more in it
//	[CODE] FILE PATH FIELD [FORM]  a form with a backup, a record or a photo is sent
//	[CODE] API METHOD PATH [BODY]  a program asks, held against openapi.json
//	with HEADER VALUE              goes along with the next of these
//	to PATH                        the answer leads there, which stands for {there}
//	+ TEXT, - TEXT, count N TEXT   it has this text, has it not, has it N times
//	keep NAME PATTERN              what the group of a pattern finds in it stands for {NAME}
//	told VESSEL [KINDS]            what was told from outside, and stands
//	last VESSEL TEXT               the last event of a vessel holds this, as JSON
//	tell VESSEL KIND, pass TIME    something happens in the kitchen, or time goes by
//	all                            every operation of openapi.json was called
func TestWalks(t *testing.T) {
	t.Parallel()
	for _, typ := range []string{"image/svg+xml", "image/png", "image/jpeg", "application/vnd.sqlite3", "text/event-stream"} {
		openapi3filter.RegisterBodyDecoder(typ, openapi3filter.FileBodyDecoder)
	}
	files, err := filepath.Glob("testdata/walks/*.txt")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		walks := regexp.MustCompile(`(?m)^== (.+) \(([a-z ]+?)(?: (\d+))?\)\n((?:[^=\n].*\n|\n)+)`).FindAllStringSubmatch(string(text), -1)
		require.Len(t, walks, bytes.Count(text, []byte("\n==")), "%s: a walk begins with its name and its house", file)
		for _, x := range walks {
			t.Run(strings.TrimSuffix(filepath.Base(file), ".txt")+": "+x[1], func(t *testing.T) {
				t.Parallel()
				past, _ := strconv.Atoi(x[3])
				takeWalk(t, x[2], past, strings.Split(x[4], "\n"))
			})
		}
	}
}

// takeWalk goes through the lines of a walk in a house with past rises.
func takeWalk(t *testing.T, house string, past int, lines []string) {
	open := houses()[house]
	require.NotNil(t, open, "no such house: %s", house)
	w := &walker{T: t, by: map[string]*browser{}, kept: map[string]string{"phrase": phrase}, called: map[string]bool{}}
	w.s, w.k = open(t)
	if past > 0 {
		for i, id := range fill(t, w.k.store, past, 240) {
			w.kept[fmt.Sprint("id", i)] = fmt.Sprint(id)
		}
	}
	w.as("somebody", "", "")
	for _, line := range lines {
		if line != "" && !strings.HasPrefix(line, "#") {
			w.line(line)
		}
	}
	if w.k != nil {
		assert.Empty(t, w.k.app.Snapshot().System.StoreProblem)
	}
}

// houses are the kitchens that a walk can begin in.
func houses() map[string]func(t *testing.T) (*web.Server, *kitchen) {
	type opened = func(t *testing.T) (*web.Server, *kitchen)
	with := func(open func(testing.TB, func(*web.Options)) (*web.Server, *kitchen), change func(*web.Options)) opened {
		return func(t *testing.T) (*web.Server, *kitchen) { return open(t, change) }
	}
	of := func(household string) opened {
		return func(t *testing.T) (*web.Server, *kitchen) { return newServerOf(t, household, nil) }
	}
	shown := func(more func(*web.Snapshot)) opened {
		return with(newServer, func(o *web.Options) {
			o.Live = edited{o.Live, func(s *web.Snapshot) {
				if bread(s); more != nil {
					more(s)
				}
			}}
		})
	}
	warm := func(doughC float64) opened {
		return func(t *testing.T) (*web.Server, *kitchen) {
			k := openKitchen(t, berliners, true, 0)
			k.hot = doughC
			k.tell("tub", bake.EventStart)
			for range 40 { // the evaluator looks each five minutes
				k.pass(5 * time.Minute)
				k.app.Advance(k.clock.Now())
			}
			return k.server(nil), k
		}
	}
	return map[string]opened{
		"rising": with(newServer, nil), "idle": with(idle, nil), "american": of(americans), "german": of(germans),
		"fahrenheit": of(strings.Replace(berliners, "Berlin}", "Berlin, temperature: fahrenheit}", 1)),
		"noon": func(t *testing.T) (*web.Server, *kitchen) {
			k := openKitchen(t, berliners, true, 0)
			return k.server(nil), k
		},
		"closed":  func(t *testing.T) (*web.Server, *kitchen) { s, k, _ := locked(t, false); return s, k },
		"ajar":    func(t *testing.T) (*web.Server, *kitchen) { s, k, _ := locked(t, true); return s, k },
		"keeping": func(t *testing.T) (*web.Server, *kitchen) { return withUpkeep(t, nil) },
		"bread":   shown(nil), "unprobed": shown(func(s *web.Snapshot) { s.Vessels[0].After.CoreC = math.NaN() }),
		"basket": shown(func(s *web.Snapshot) {
			v := s.Vessels
			v[2].RiseID, v[2].Estimate.Phase = 9, estimator.Rising
			v[2].State = v[2].Derived()
			v[0], v[2] = v[2], v[0]
		}),
		"too warm": warm(33), "too cold": warm(9),
		"demo":      with(newServer, func(o *web.Options) { o.Demo = true }),
		"forgetful": with(idle, func(o *web.Options) { o.History = nil }),
		"faulty":    with(idle, func(o *web.Options) { o.Live = faulty{o.Live} }),
		"named":     with(idle, func(o *web.Options) { o.Hosts = []string{"Kitchen.example"} }),
		"measuring": func(t *testing.T) (*web.Server, *kitchen) { s, k, _ := measuring(t); return s, k },
		"measuring locked": func(t *testing.T) (*web.Server, *kitchen) {
			_, k, _ := measuring(t)
			lock(t, k)
			return k.server(func(o *web.Options) { o.Level, o.OpenReading = &scale{live: o.Live}, true }), k
		},
		"new": func(t *testing.T) (*web.Server, *kitchen) {
			s, _ := house(t, access.NewWindow("BCDFGHJK"))
			return s, nil
		},
		"shut": func(t *testing.T) (*web.Server, *kitchen) {
			window := access.NewWindow("BCDFGHJK")
			s, _ := house(t, window)
			window.Close()
			return s, nil
		},
	}
}

// walker goes through one walk.
type walker struct {
	*testing.T
	s      *web.Server
	k      *kitchen
	by     map[string]*browser
	b      *browser // that asks now
	with   http.Header
	answer *httptest.ResponseRecorder
	body   string
	kept   map[string]string // what stands for {NAME}
	doc    *openapi3.T       // read when a program asks
	router routers.Router
	called map[string]bool // operations
}

func (w *walker) as(who, from, host string) {
	if w.by[who] == nil {
		w.by[who] = newBrowser(w.T, w.s)
	}
	w.b = w.by[who]
	if w.b.host = host; from != "" {
		w.b.from = from + ":5000"
	}
	w.with = http.Header{}
}

var named = regexp.MustCompile(`\{([a-z0-9_.]+)\}`)

// filled puts in what was kept and what the kitchen knows.
func (w *walker) filled(line string) string {
	return named.ReplaceAllStringFunc(line, func(hole string) string {
		name := hole[1 : len(hole)-1]
		if v, ok := w.kept[name]; ok {
			return v
		}
		if vessel, ok := strings.CutPrefix(name, "rise."); ok {
			return w.k.riseID(vessel)
		}
		if vessel, ok := strings.CutPrefix(name, "last."); ok {
			return fmt.Sprint(w.k.last(vessel).ID)
		}
		if name == "ready" {
			return w.k.ready("15:04")
		}
		require.Fail(w, "nothing is kept as "+hole)
		return ""
	})
}

// line does one line.
func (w *walker) line(text string) {
	code, said := 0, w.filled(text)
	if n, err := strconv.Atoi(said[:min(3, len(said))]); err == nil {
		code, said = n, strings.TrimSpace(said[3:])
	}
	verb, rest, _ := strings.Cut(said, " ")
	word, more, _ := strings.Cut(rest, " ")
	switch verb {
	case "as":
		from, host, _ := strings.Cut(more, " ")
		w.as(word, from, host)
	case "with":
		w.with.Set(word, more)
	case "GET", "POST", "SEND", "FILE", "API":
		w.ask(text, verb, rest, code)
	case "to":
		assert.Equal(w, rest, w.answer.Header().Get("Location"), text)
	case "+":
		assert.True(w, strings.Contains(w.body, rest), "%s\nis not in\n%s", text, w.body)
	case "-":
		assert.False(w, strings.Contains(w.body, rest), "%s\nis in\n%s", text, w.body)
	case "count":
		assert.Equal(w, word, fmt.Sprint(strings.Count(w.body, more)), text)
	case "keep":
		m := regexp.MustCompile(more).FindStringSubmatch(w.body)
		require.Len(w, m, 2, "%s: not in\n%s", text, w.body)
		w.kept[word] = html.UnescapeString(m[1])
	case "told":
		assert.Equal(w, more, w.k.told(word), text)
	case "last":
		e, err := json.Marshal(w.k.last(word))
		require.NoError(w, err)
		assert.Contains(w, string(e), more, text)
	case "tell":
		w.k.tell(word, bake.EventKind(more))
	case "pass":
		d, err := time.ParseDuration(rest)
		require.NoError(w, err)
		w.k.pass(d)
	case "all":
		assert.Empty(w, w.uncalled(), "described but not called")
	default:
		require.Fail(w, "no such line: "+text)
	}
}

// ask sends what a line asks and reads the answer.
func (w *walker) ask(text, verb, rest string, code int) {
	path, more, _ := strings.Cut(rest, " ")
	r := w.request(verb, path, more)
	if w.with.Get("Origin") != "" { // an older browser sends no more
		r.Header.Del("Sec-Fetch-Site")
	}
	for name := range w.with {
		r.Header.Set(name, w.with.Get(name))
	}
	if name := w.with.Get("Host"); name != "" {
		r.Host = name
	}
	w.with = http.Header{}
	switch {
	case code != 0:
	case verb == "GET" || verb == "API":
		code = http.StatusOK
	default:
		code = http.StatusSeeOther
	}
	if verb == "API" {
		w.answer = w.call(r, code)
	} else {
		w.answer = w.b.send(r)
	}
	w.body = plainSpaces(w.answer.Body.String())
	if to := w.answer.Header().Get("Location"); to != "" {
		w.kept["there"] = to
	}
	require.Equal(w, code, w.answer.Code, "%s\n%s", text, w.body)
}

// request is what a line sends.
func (w *walker) request(verb, path, more string) *http.Request {
	form := func(query string) url.Values {
		v, err := url.ParseQuery(query)
		require.NoError(w, err)
		return v
	}
	switch verb {
	case "API":
		method := path
		path, body, _ := strings.Cut(more, " ")
		return apiRequest(method, "/api/v1"+path, body)
	case "POST":
		return w.b.form(path, form(more))
	case "SEND": // the form of the page that has this in it
		for _, m := range regexp.MustCompile(`(?s)<form[^>]* action="([^"]*)"(.*?)</form>`).FindAllStringSubmatch(w.body, -1) {
			if !strings.Contains(m[2], path) {
				continue
			}
			fields := url.Values{}
			for _, f := range regexp.MustCompile(`type="hidden" name="([^"]+)" value="([^"]*)"`).FindAllStringSubmatch(m[2], -1) {
				fields.Set(f[1], html.UnescapeString(f[2]))
			}
			for name, value := range form(more) {
				fields[name] = value
			}
			return w.b.form(html.UnescapeString(m[1]), fields)
		}
		require.Fail(w, "no form has "+path, w.body)
	case "FILE":
		field, fields, _ := strings.Cut(more, " ")
		body := map[string]func() []byte{"backup": func() []byte { return backupOf(w.T, 5) }, "record": func() []byte { return aRecord(w.T) },
			"photo": func() []byte { return picture(w, 40, 30, 1) }}[field]()
		return w.b.file(path, field, "old.file", body, form(fields))
	}
	return request("GET", path, nil)
}
