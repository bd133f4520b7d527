// Package page is the bench page and the archive pages: what the person at the
// bench sees in a browser, on a screen or a telephone. Everything the browser
// needs comes from this program; nothing is fetched from elsewhere.
//
// Paths: / (bench), /runs, /runs/ID, /runs/ID/NAME for the charts and the
// sheet, /patterns, /trend, /learned; /api/status, /api/history?since=SEQ, /api/phases for reading;
// POST /api/card, POST /api/acknowledge?id=ID, POST /api/glow, POST /api/age, POST /api/age/end
// and POST /runs/ID/seen for the operator's word.
package page

import (
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"io"
	"io/fs"
	"math"
	"net/http"
	"os"
	"regexp"
	"strconv"
	"sync"

	"tipoff/logger/archive"
	"tipoff/logger/chart"
	"tipoff/logger/learn"
	"tipoff/logger/origin"
	"tipoff/logger/phase"
	"tipoff/logger/sheet"
	"tipoff/logger/status"
)

// Archive is what the page needs of the recorded runs; *archive.Archive is one.
// Its methods may be called from several goroutines.
type Archive interface {
	// List is all runs, newest first.
	List() ([]archive.Entry, error)
	// RunDir is the folder of a run, there or not.
	RunDir(id string) string
}

// maxCard is the largest tube card that is taken, in bytes.
const maxCard = 64 << 10

// maxPoints is how many points one answer of /api/history holds at most.
const maxPoints = 1500

//go:embed assets
var assets embed.FS

// csp allows this program's own files and nothing else. The charts carry their
// styles in attributes, so they are served with chartCSP.
const (
	csp = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
		"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
	chartCSP = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"
)

var runID = regexp.MustCompile(`^[0-9A-Za-z][0-9A-Za-z._-]{0,79}$`)

var artifactTypes = map[string]string{
	"time.svg":                 "image/svg+xml",
	"time.png":                 "image/png",
	"pressure-temperature.svg": "image/svg+xml",
	"pressure-temperature.png": "image/png",
	"sheet.json":               "application/json",
	"sheet.txt":                "text/plain; charset=utf-8",
}

type site struct {
	src     status.Source
	archive Archive
	taught  *learn.Store
	pages   *template.Template
	phases  []byte // the answer of /api/phases

	// artifact is sheet.Artifact; tests put another in its place. It can take
	// seconds of computing, so making guards it: one at a time, and whoever
	// waited finds the file made.
	artifact func(dir, name string) ([]byte, error)
	making   sync.Mutex

	uses uses
}

// New makes the handler of the page. runs and what they taught may be nil: then no
// runs are listed.
func New(src status.Source, runs Archive, taught *learn.Store) http.Handler {
	return newSite(src, runs, taught, sheet.Artifact)
}

func newSite(src status.Source, runs Archive, taught *learn.Store, artifact func(dir, name string) ([]byte, error)) http.Handler {
	s := &site{src: src, archive: runs, taught: taught, phases: phaseTable(), artifact: artifact}
	s.pages = template.Must(template.New("").Funcs(template.FuncMap{"clock": chart.Clock, "percent": func(x float64) float64 { return 100 * x }}).
		ParseFS(assets, "assets/*.html"))

	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", s.bench)
	mux.HandleFunc("GET /runs", s.runs)
	mux.HandleFunc("GET /runs/{id}", s.run)
	mux.HandleFunc("GET /runs/{id}/{name}", s.file)
	mux.HandleFunc("POST /runs/{id}/seen", s.observe)
	mux.HandleFunc("GET /patterns", s.patterns)
	mux.HandleFunc("GET /trend", s.trend)
	mux.HandleFunc("GET /learned", s.learned)
	mux.HandleFunc("GET /api/status", s.status)
	mux.HandleFunc("GET /api/history", s.history)
	mux.HandleFunc("GET /api/phases", s.phaseList)
	mux.HandleFunc("POST /api/card", s.card)
	mux.HandleFunc("POST /api/acknowledge", s.acknowledge)
	mux.HandleFunc("POST /api/glow", s.glow)
	mux.HandleFunc("POST /api/age", s.age)
	mux.HandleFunc("POST /api/age/end", s.endAge)
	for _, name := range []string{"style.css", "bench.js", "draw.js", "mark.svg"} {
		mux.HandleFunc("GET /"+name, func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Cache-Control", "no-cache")
			http.ServeFileFS(w, r, assets, "assets/"+name)
		})
	}
	return origin.Guard(mux, csp)
}

func (s *site) bench(w http.ResponseWriter, r *http.Request) {
	var runs []archive.Entry
	var trouble string
	if s.archive != nil {
		var err error
		if runs, err = s.archive.List(); err != nil {
			trouble = err.Error()
		}
	}
	s.show(w, http.StatusOK, "bench.html", map[string]any{
		"Title": "Bench", "Runs": rows(runs[:min(len(runs), 6)]), "More": len(runs) > 6, "Trouble": trouble})
}

func (s *site) runs(w http.ResponseWriter, r *http.Request) {
	var runs []archive.Entry
	if s.archive != nil {
		var err error
		if runs, err = s.archive.List(); err != nil {
			s.fail(w, "reading the list of runs", err)
			return
		}
	}
	s.show(w, http.StatusOK, "runs.html", map[string]any{"Title": "Runs", "Runs": rows(runs)})
}

func (s *site) run(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	text, err := s.read(id, "sheet.txt")
	if err != nil {
		s.fail(w, "reading the sheet", err)
		return
	}
	list, trouble := s.seenOf(id)
	s.show(w, http.StatusOK, "run.html", map[string]any{"Title": "Run " + id, "ID": id, "GoesOn": s.goesOn(id), "Text": string(text),
		"Seen": list, "SeenTrouble": trouble, "Kinds": tubeKinds(), "Ageing": s.isAgeing(id)})
}

func (s *site) file(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	data, err := s.read(r.PathValue("id"), name)
	if err != nil {
		s.fail(w, "reading "+name, err)
		return
	}
	kind := artifactTypes[name]
	if kind == "image/svg+xml" {
		w.Header().Set("Content-Security-Policy", chartCSP)
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Length", strconv.Itoa(len(data)))
	w.Write(data) // a reader that has gone away is not our error
}

func (s *site) read(id, name string) ([]byte, error) {
	if _, known := artifactTypes[name]; !known || s.archive == nil || !runID.MatchString(id) {
		return nil, fs.ErrNotExist
	}
	dir := s.archive.RunDir(id)
	if _, err := os.Stat(dir); err != nil {
		return nil, err
	}
	s.making.Lock()
	defer s.making.Unlock()
	return s.artifact(dir, name)
}

func (s *site) status(w http.ResponseWriter, r *http.Request) {
	sn := s.src.Snapshot()
	if sn == nil {
		http.Error(w, "the bench has not given its first reading yet", http.StatusServiceUnavailable)
		return
	}
	sendJSON(w, wireStatus(sn))
}

func (s *site) history(w http.ResponseWriter, r *http.Request) {
	var since uint64
	if q := r.URL.Query().Get("since"); q != "" {
		var err error
		if since, err = strconv.ParseUint(q, 10, 64); err != nil {
			http.Error(w, "since: a whole number from 0 is wanted", http.StatusBadRequest)
			return
		}
	}
	sendJSON(w, wireHistory(s.src.History(since, maxPoints)))
}

func (s *site) phaseList(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "application/json")
	w.Write(s.phases)
}

func (s *site) card(w http.ResponseWriter, r *http.Request) {
	text, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxCard))
	if err != nil {
		http.Error(w, fmt.Sprintf("a tube card has at most %d kB", maxCard>>10), http.StatusRequestEntityTooLarge)
		return
	}
	if err := s.src.AssignCard(text); err != nil {
		http.Error(w, err.Error(), http.StatusUnprocessableEntity)
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

func (s *site) acknowledge(w http.ResponseWriter, r *http.Request) {
	if err := s.src.Acknowledge(r.URL.Query().Get("id")); err != nil {
		http.Error(w, err.Error(), http.StatusConflict)
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

// row is a run as the list shows it.
type row struct {
	archive.Entry
	Seconds float64
	Wall    string
	Mark    string
	Class   string
}

func rows(runs []archive.Entry) []row {
	out := make([]row, len(runs))
	for i, r := range runs {
		out[i] = row{Entry: r, Seconds: r.Took.Seconds(), Wall: "date not known"}
		if r.Trusted && !r.Started.IsZero() {
			out[i].Wall = r.Started.Local().Format("2 Jan 2006, 15:04")
		}
		if r.Took == 0 {
			out[i].Seconds = math.NaN()
		}
		if r.Verdict == "" {
			out[i].Verdict = "not judged"
		}
		out[i].Mark, out[i].Class = mark(r.Verdict)
		if r.GoesOn != "" { // judged with the rest
			out[i].Mark, out[i].Verdict = "→", "goes on"
		}
	}
	return out
}

// mark is a sign beside a verdict, so that it does not hang on the colour
// alone, and its class in the style sheet.
func mark(verdict string) (sign, class string) {
	switch verdict {
	case "within":
		return "✓", "within"
	case "marginal":
		return "≈", "marginal"
	case "outside":
		return "✕", "outside"
	}
	return "?", "unknown"
}

func (s *site) show(w http.ResponseWriter, code int, name string, data any) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(code)
	// The templates are fixed and were parsed at the start; only the
	// connection can fail, and then nobody is there to be told.
	s.pages.ExecuteTemplate(w, name, data)
}

func (s *site) fail(w http.ResponseWriter, doing string, err error) {
	code, text := http.StatusInternalServerError, doing+": "+err.Error()
	if errors.Is(err, fs.ErrNotExist) {
		code, text = http.StatusNotFound, "There is no such run or file."
	}
	s.show(w, code, "fail.html", map[string]any{"Title": "Not shown", "Text": text})
}

func sendJSON(w http.ResponseWriter, v any) {
	data, err := json.Marshal(v)
	if err != nil {
		http.Error(w, "writing JSON: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Write(data)
}

func phaseTable() []byte {
	type entry struct {
		Name   string `json:"name"`
		Colour string `json:"colour"`
		Text   string `json:"text"` // colour of text on it
	}
	table := make([]entry, phase.Count)
	for i := range table {
		table[i] = entry{phase.ID(i).String(), chart.PhaseColour(phase.ID(i)), chart.PhaseText(phase.ID(i))}
	}
	data, err := json.Marshal(table)
	if err != nil {
		panic("page: " + err.Error()) // strings only: cannot fail
	}
	return data
}
