package calibrate

import (
	"bytes"
	"cmp"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"tipoff/calib/certificate"
	"tipoff/calib/unit"
	"tipoff/logger/chart"
	"tipoff/logger/frame"
	"tipoff/logger/origin"
)

//go:embed assets
var assets embed.FS

// csp allows this program's own style and pictures and no script at all. The
// pages of a calibration hold a frame of their own for the live reading.
const (
	csp = "default-src 'none'; style-src 'self'; img-src 'self'; frame-src 'self'; form-action 'self'; " +
		"base-uri 'none'; frame-ancestors 'self'"
	pictureCSP = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"
	maxForm    = 16 << 10 // bytes
)

type site struct {
	desk  *Desk
	pages *template.Template
}

// Handler serves the guided calibrations under /calibrate/. The pages work
// without scripts; what changes something is a form and is refused when it comes
// from another site.
func Handler(d *Desk) http.Handler {
	s := &site{desk: d, pages: template.Must(template.ParseFS(assets, "assets/pages.html"))}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /calibrate/{$}", s.list)
	mux.HandleFunc("GET /calibrate/style.css", func(w http.ResponseWriter, r *http.Request) {
		http.ServeFileFS(w, r, assets, "assets/style.css")
	})
	mux.HandleFunc("GET /calibrate/{channel}/{$}", s.on(s.channel))
	mux.HandleFunc("GET /calibrate/{channel}/live", s.on(s.live))
	mux.HandleFunc("GET /calibrate/{channel}/picture.svg", s.on(s.picture(chart.SVG, "image/svg+xml")))
	mux.HandleFunc("GET /calibrate/{channel}/picture.png", s.on(s.picture(chart.PNG, "image/png")))
	mux.HandleFunc("GET /calibrate/{channel}/last.svg", s.on(s.last(certificate.Latest)))
	mux.HandleFunc("GET /calibrate/{channel}/last-lag.svg", s.on(s.last(certificate.LatestLag)))
	for name, f := range map[string]func(*http.Request, int) error{
		"start": s.start, "take": s.take, "undo": s.undo, "use": s.use, "keep": s.keep, "abandon": s.abandon,
	} {
		mux.HandleFunc("POST /calibrate/{channel}/"+name, s.on(s.post(f)))
	}
	return origin.Guard(mux, csp)
}

// on finds the channel of a path.
func (s *site) on(f func(http.ResponseWriter, *http.Request, int)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		i := s.desk.find(r.PathValue("channel"))
		if i < 0 {
			http.Error(w, "there is no such channel that can be calibrated", http.StatusNotFound)
			return
		}
		f(w, r, i)
	}
}

// post carries out a form and shows the channel's page again, with what was
// wrong if something was.
func (s *site) post(f func(*http.Request, int) error) func(http.ResponseWriter, *http.Request, int) {
	return func(w http.ResponseWriter, r *http.Request, i int) {
		r.Body = http.MaxBytesReader(w, r.Body, maxForm)
		err := r.ParseForm()
		if err == nil {
			err = f(r, i)
		}
		if err != nil {
			s.show(w, http.StatusUnprocessableEntity, i, err.Error())
			return
		}
		http.Redirect(w, r, "/calibrate/"+s.desk.channels[i].Name+"/", http.StatusSeeOther)
	}
}

func (s *site) start(r *http.Request, i int) error {
	role := s.desk.channels[i].Role
	o := Options{Who: r.PostFormValue("who"), Room: noRoom, Instrument: certificate.Instrument{
		Name: r.PostFormValue("instrument"), Serial: r.PostFormValue("serial")}}
	var err error
	if t := strings.TrimSpace(r.PostFormValue("limit")); t != "" {
		if o.Instrument.Limit, o.Instrument.Fraction, err = ParseLimit(t, role); err != nil {
			return err
		}
	}
	if t := strings.TrimSpace(r.PostFormValue("instrument_due")); t != "" {
		if o.Instrument.Due, err = time.Parse(time.DateOnly, t); err != nil {
			return fmt.Errorf("due date of the reference instrument: found %.40q; allowed: a date like 2027-03-01", t)
		}
	}
	if o.Room, err = ParseRoom(r.PostFormValue("room")); err != nil {
		return err
	}
	return s.desk.begin(i, o, r.PostFormValue("procedure"))
}

// ParseRoom reads the room's temperature; NaN for an empty text.
func ParseRoom(text string) (float64, error) {
	if strings.TrimSpace(text) == "" {
		return noRoom, nil
	}
	c, err := quantity(map[string]string{"room": text}, "room", unit.Temperature)
	if err == nil && !(c >= -40 && c <= 80) {
		return 0, fmt.Errorf("room: found %.40q; allowed: -40 °C to 80 °C", text)
	}
	return c, err
}

func (s *site) take(r *http.Request, i int) error {
	recorded := false
	if err := s.desk.with(i, func(session *Session) error { recorded = session.Procedure().Recorded; return nil }); err != nil {
		return err
	}
	if recorded {
		return s.desk.takeRun(i, r.PostFormValue("run"))
	}
	return s.desk.with(i, func(session *Session) error {
		answers := map[string]string{"note": r.PostFormValue("note")}
		for _, a := range session.Procedure().Asks {
			answers[a.Key] = strings.Trim(r.PostFormValue(a.Key), `" `)
		}
		return session.Take(answers)
	})
}

func (s *site) undo(_ *http.Request, i int) error {
	return s.desk.with(i, func(session *Session) error {
		if !session.Undo() {
			return errors.New("there is no point to undo")
		}
		return nil
	})
}

func (s *site) use(r *http.Request, i int) error {
	return s.desk.with(i, func(session *Session) error { return session.Use(r.PostFormValue("procedure")) })
}

func (s *site) keep(r *http.Request, i int) error {
	n, err := strconv.Atoi(r.PostFormValue("points"))
	if err != nil {
		return errors.New("the form does not say how many points it is about")
	}
	_, err = s.desk.keep(i, n)
	return err
}

func (s *site) abandon(_ *http.Request, i int) error {
	s.desk.abandon(i)
	return nil
}

// shown is a certificate as a page shows it.
type shown struct {
	Rows       []Row
	Summary    []string
	Lag        bool
	When, Whom string
}

func showing(c *certificate.Certificate) *shown {
	if c == nil {
		return nil
	}
	return &shown{Rows(c), Summary(c), c.IsLag(), c.Date.Format("2006-01-02 15:04"), c.Who}
}

func (s *site) list(w http.ResponseWriter, r *http.Request) {
	type row struct {
		Name, Role, State string
		Last              *certificate.Certificate
		Open              bool
		Tau               string
	}
	var rows []row
	var wrong []string
	for i, c := range s.desk.channels {
		last, err := certificate.Latest(s.desk.dir, c.Name)
		if err != nil {
			wrong = append(wrong, err.Error())
		}
		tau, err := certificate.LatestLag(s.desk.dir, c.Name)
		if err != nil && len(wrong) == 0 {
			wrong = append(wrong, err.Error())
		}
		x := row{Name: c.Name, Role: measures(c.Role), Last: last, Open: s.desk.with(i, func(*Session) error { return nil }) == nil}
		if tau != nil {
			x.Tau = fmt.Sprintf("%s ± %s (k=2), %s", seconds(tau.Lag.Tau), seconds(2*tau.Lag.U), tau.Date.Format("2006-01-02"))
		}
		x.State = s.desk.standing(i, last, tau)
		rows = append(rows, x)
	}
	s.page(w, http.StatusOK, "list", map[string]any{"Title": "Calibrations", "Channels": rows, "Wrong": strings.Join(wrong, "; ")})
}

func (s *site) channel(w http.ResponseWriter, r *http.Request, i int) {
	s.show(w, http.StatusOK, i, "")
}

func (s *site) show(w http.ResponseWriter, code, i int, wrong string) {
	c := s.desk.channels[i]
	data := map[string]any{"Title": "Calibrating " + c.Name, "Channel": c.Name, "Wrong": wrong}
	err := s.desk.with(i, func(session *Session) error {
		value, diff := dimensions(c.Role)
		data["Procedure"] = session.Procedure()
		var others []Procedure
		for _, p := range For(c.Role) {
			if p.Name != session.Procedure().Name && (session.Taken() == 0 || p.Lag == session.Procedure().Lag) && (s.desk.runs != nil || !p.Recorded) {
				others = append(others, p)
			}
		}
		data["Procedures"] = others
		var points []Row
		for _, p := range session.Points() {
			points = append(points, pointRow(p, math.NaN(), value, diff))
		}
		for _, t := range session.Trials() {
			points = append(points, Row{Indicated: seconds(t.Tau), U: seconds(2 * t.U), Note: t.Note})
		}
		data["Tall"] = session.Procedure().Name == utubeName
		data["Points"], data["Lag"] = points, session.Procedure().Lag
		if len(points) == 0 {
			return nil
		}
		result, err := session.Result(s.desk.now())
		if err != nil {
			data["Refused"] = err.Error()
			return nil
		}
		data["Result"] = showing(&result)
		return nil
	})
	if err == nil {
		s.page(w, code, "session", data)
		return
	}
	last, err := certificate.Latest(s.desk.dir, c.Name)
	tau, lagErr := certificate.LatestLag(s.desk.dir, c.Name)
	if err = cmp.Or(err, lagErr); err != nil && wrong == "" {
		data["Wrong"] = err.Error()
	}
	offered := For(c.Role)
	if s.desk.runs == nil {
		offered = slices.DeleteFunc(offered, func(p Procedure) bool { return p.Recorded })
	}
	data["Last"], data["LastLag"], data["Procedures"], data["LimitExample"] = showing(last), showing(tau), offered, limitExample(c.Role)
	data["State"] = s.desk.standing(i, last, tau)
	s.page(w, code, "start", data)
}

// measures says what a channel of a role measures.
func measures(r frame.Role) string {
	switch r {
	case frame.Glass, frame.Shell, frame.Ambient:
		return r.String() + " temperature"
	}
	return r.String()
}

func limitExample(r frame.Role) string {
	switch r {
	case frame.Pressure:
		return "0.5 % + 2 micron"
	case frame.Current:
		return "1.5 % + 2 mA"
	}
	return "0.5 K"
}

func (s *site) live(w http.ResponseWriter, _ *http.Request, i int) {
	st := State{Why: "this channel is not being calibrated", Last: noReading}
	_ = s.desk.with(i, func(session *Session) error { st = session.State(); return nil })
	reading := "no reading"
	if st.Last.Good() {
		reading = show(st.Last.X, st.unit)
		if !math.IsNaN(st.Raw) {
			reading += " (raw " + strconv.FormatFloat(st.Raw, 'g', 7, 64) + ")"
		}
	}
	s.page(w, http.StatusOK, "live", map[string]any{"Reading": reading, "Settled": st.Settled, "Ready": st.Ready, "Why": st.Why, "Expect": st.Expect})
}

func (s *site) picture(format chart.Format, kind string) func(http.ResponseWriter, *http.Request, int) {
	return func(w http.ResponseWriter, _ *http.Request, i int) {
		var b bytes.Buffer
		err := s.desk.with(i, func(session *Session) error {
			c, err := session.Result(s.desk.now())
			if err != nil {
				return err
			}
			return session.Picture(&b, format, &c)
		})
		if err != nil {
			http.Error(w, err.Error(), http.StatusNotFound)
			return
		}
		w.Header().Set("Content-Security-Policy", pictureCSP)
		w.Header().Set("Content-Type", kind)
		_, _ = w.Write(b.Bytes()) // a reader that has gone away is not our error
	}
}

// last draws the newest certificate that is kept.
func (s *site) last(newest func(dir, channel string) (*certificate.Certificate, error)) func(http.ResponseWriter, *http.Request, int) {
	return func(w http.ResponseWriter, _ *http.Request, i int) {
		c, err := newest(s.desk.dir, s.desk.channels[i].Name)
		if err == nil && c == nil {
			err = errors.New("there is no certificate")
		}
		var b bytes.Buffer
		if err == nil {
			err = Picture(&b, chart.SVG, c, nil)
		}
		if err != nil {
			http.Error(w, err.Error(), http.StatusNotFound)
			return
		}
		w.Header().Set("Content-Security-Policy", pictureCSP)
		w.Header().Set("Content-Type", "image/svg+xml")
		_, _ = w.Write(b.Bytes()) // a reader that has gone away is not our error
	}
}

func (s *site) page(w http.ResponseWriter, code int, name string, data map[string]any) {
	var b bytes.Buffer
	if err := s.pages.ExecuteTemplate(&b, name, data); err != nil {
		http.Error(w, "making the page: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(code)
	_, _ = w.Write(b.Bytes())
}
