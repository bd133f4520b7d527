package forward

import (
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"
	"go.uber.org/goleak"

	"tipoff/calib"
	"tipoff/drivers/clock"
	"tipoff/logger/archive"
	"tipoff/logger/frame"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// store is a store of time series: one line for each measurement, tags and
// timestamp, as the line protocol's reference has it.
type store struct {
	mu       sync.Mutex
	lines    map[string]int // how often each came
	requests int
	answer   func(n int, body string) (int, string) // 0: take it
}

func (s *store) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.requests++
	if r.Method != http.MethodPost || r.Header.Get("Authorization") != "Token secret" {
		http.Error(w, "who are you", http.StatusUnauthorized)
		return
	}
	z, err := gzip.NewReader(r.Body)
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	body, err := io.ReadAll(z)
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	if s.answer != nil {
		if code, text := s.answer(s.requests, string(body)); code != 0 {
			w.Header().Set("Retry-After", "7")
			http.Error(w, text, code)
			return
		}
	}
	dec := lineprotocol.NewDecoderWithBytes(body)
	for dec.Next() {
		name, err := dec.Measurement()
		if err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		key := string(name)
		for {
			k, v, err := dec.NextTag()
			if err != nil {
				http.Error(w, err.Error(), http.StatusBadRequest)
				return
			}
			if k == nil {
				break
			}
			key += fmt.Sprintf(",%s=%s", k, v)
		}
		at, err := dec.Time(lineprotocol.Nanosecond, time.Time{})
		if err != nil || at.IsZero() {
			http.Error(w, "no time", http.StatusBadRequest)
			return
		}
		s.lines[fmt.Sprintf("%s@%d", key, at.UnixNano())]++
	}
	w.WriteHeader(http.StatusNoContent)
}

func (s *store) frames() (n int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for k := range s.lines {
		if strings.HasPrefix(k, "frame,") {
			n++
		}
	}
	return n
}

var wall = time.Date(2026, 11, 25, 18, 0, 0, 0, time.UTC)

// start begins a run; write adds a block of frames to it.
func start(t *testing.T, a *archive.Archive, id string) *journal.Writer {
	t.Helper()
	l := frame.NewLayout(100*time.Millisecond, []frame.Channel{{Name: "glass", Role: frame.Glass}})
	w, err := journal.Create(a.RunDir(id), journal.Meta{
		ID: id, BenchName: "bench 1,=x", Started: journal.At(0, wall, true),
	}, l, journal.Options{Every: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func write(t *testing.T, w *journal.Writer, from, n int) {
	t.Helper()
	for i := from; i < from+n; i++ {
		f := frame.Frame{Seq: uint64(i), At: time.Duration(i) * 100 * time.Millisecond}
		v := calib.Value{X: 20 + float64(i), U: 1}
		f.Readings[0] = frame.Reading{Value: v, Indicated: v, Raw: float64(i), Aux: math.NaN(), Samples: 1}
		w.Append(&f, phase.Evacuate)
	}
	if err := w.Sync(); err != nil {
		t.Fatal(err)
	}
}

// manual is a clock that the test moves: each wait is noted and over at once,
// until the test's list of things to do between waits is at its end.
type manual struct {
	clock.System
	now   time.Duration
	waits []time.Duration
	then  []func()
	stop  context.CancelFunc
}

func (m *manual) Now() time.Duration { return m.now }

func (m *manual) SleepUntil(ctx context.Context, t time.Duration) error {
	m.waits = append(m.waits, t-m.now)
	m.now = t
	if len(m.then) == 0 {
		m.stop()
		return ctx.Err()
	}
	m.then[0]()
	m.then = m.then[1:]
	return nil
}

type rig struct {
	store  *store
	server *httptest.Server
	arch   *archive.Archive
	opt    Options
}

func newRig(t *testing.T) *rig {
	t.Helper()
	a, err := archive.Open(filepath.Join(t.TempDir(), "runs"))
	if err != nil {
		t.Fatal(err)
	}
	s := &store{lines: map[string]int{}}
	srv := httptest.NewServer(s)
	client := srv.Client()
	t.Cleanup(func() { client.CloseIdleConnections(); srv.Close() })
	return &rig{store: s, server: srv, arch: a, opt: Options{
		URL: srv.URL + "/write", Header: map[string]string{"Authorization": "Token secret"}, Archive: a,
		State: filepath.Join(t.TempDir(), "forward.json"), Client: client,
	}}
}

// run runs a new forwarder until each of then has been called between passes.
func (r *rig) run(t *testing.T, then ...func()) (*Forwarder, []time.Duration) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	c := &manual{then: then, stop: cancel}
	opt := r.opt
	opt.Clock = c
	f, err := New(opt)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.Run(ctx); !errors.Is(err, context.Canceled) {
		t.Fatal(err)
	}
	return f, c.waits
}

func nothing() {}

func TestForwardFollowsAndResumes(t *testing.T) {
	r := newRig(t)
	w := start(t, r.arch, "2026-11-25-001")
	write(t, w, 0, 50)
	f, _ := r.run(t, func() { write(t, w, 50, 50) })
	if n := r.store.frames(); n != 100 || f.err != nil {
		t.Fatalf("%d frames at the store, %v; want 100", n, f.err)
	}
	for k := range r.store.lines {
		if strings.HasPrefix(k, "frame,") && !strings.HasPrefix(k, "frame,bench=bench 1,=x,run=2026-11-25-001@17") {
			t.Fatalf("line %q", k)
		}
	}
	// Restart: goes on where it was. Meanwhile the run is sealed and another begins.
	write(t, w, 100, 20)
	if err := w.Seal(func(m *journal.Meta) { m.Outcome = journal.Completed }); err != nil {
		t.Fatal(err)
	}
	w2 := start(t, r.arch, "2026-11-25-002")
	write(t, w2, 0, 10)
	defer w2.Close()
	f, _ = r.run(t)
	if n := r.store.frames(); n != 130 {
		t.Errorf("%d frames at the store, want 130", n)
	}
	for k, n := range r.store.lines {
		if n != 1 {
			t.Errorf("%s came %d times", k, n)
		}
	}
	if !f.state.done("2026-11-25-001") || f.state.done("2026-11-25-002") {
		t.Errorf("state %+v", f.state.runs)
	}
	before := r.store.requests
	r.run(t, nothing, nothing)
	if r.store.requests != before {
		t.Errorf("%d requests with nothing to send", r.store.requests-before)
	}
	// Without its memory it sends again, and the store has each line once.
	if err := os.WriteFile(r.opt.State, []byte(`{"2026-`), 0o644); err != nil {
		t.Fatal(err)
	}
	r.run(t)
	if n := r.store.frames(); n != 130 {
		t.Errorf("%d frames after sending again, want 130", n)
	}
}

func TestForwardBackOff(t *testing.T) {
	r := newRig(t)
	w := start(t, r.arch, "2026-11-25-001")
	write(t, w, 0, 50)
	defer w.Close()
	var told []string
	r.opt.OnTrouble = func(err error) { told = append(told, fmt.Sprint(err)) }
	r.opt.MaxGap = 30 * time.Second
	r.store.answer = func(int, string) (int, string) { return http.StatusServiceUnavailable, "full" }
	then := make([]func(), 12)
	for i := range then {
		then[i] = nothing
	}
	then[9] = func() { r.store.mu.Lock(); r.store.answer = nil; r.store.mu.Unlock() }
	f, waits := r.run(t, then...)
	if n := r.store.frames(); n != 50 {
		t.Errorf("%d frames at the store, want 50", n)
	}
	// 1, 2, 4, … s, at most 30, half to all of it, and at least the 7 s that the
	// store asks for.
	for i, wait := range waits[:10] {
		gap := min(time.Second<<i, 30*time.Second)
		if wait < max(gap/2, 7*time.Second) || wait > max(gap, 7*time.Second) {
			t.Errorf("wait %d is %v, want %v to %v and at least 7s", i, wait, gap/2, gap)
		}
	}
	if waits[11] != 2*time.Second {
		t.Errorf("waits %v once all is well, want 2s", waits[11])
	}
	if f.err != nil {
		t.Error(f.err)
	}
	if len(told) != 2 || !strings.Contains(told[0], "503") || told[1] != "<nil>" {
		t.Errorf("told %q", told)
	}
}

func TestForwardPoison(t *testing.T) {
	r := newRig(t)
	w := start(t, r.arch, "2026-11-25-001")
	for i := range 10 {
		write(t, w, 10*i, 10)
	}
	defer w.Close()
	refused := 0
	var why error
	r.opt.OnRefused = func(run string, blocks int, err error) { refused += blocks; why = err }
	r.store.answer = func(_ int, body string) (int, string) {
		if strings.Contains(body, "seq=42i") {
			return http.StatusBadRequest, "field type conflict"
		}
		return 0, ""
	}
	f, _ := r.run(t, nothing)
	if n := r.store.frames(); n != 90 || refused != 1 || f.err != nil {
		t.Errorf("%d frames at the store, %d blocks refused, %v; want 90, 1, nil", n, refused, f.err)
	}
	if why == nil || !strings.Contains(why.Error(), "field type conflict") {
		t.Errorf("refused because %v", why)
	}
}

// A wrong token is not the lines' fault: nothing may be passed over.
func TestForwardWrongToken(t *testing.T) {
	r := newRig(t)
	w := start(t, r.arch, "2026-11-25-001")
	write(t, w, 0, 10)
	defer w.Close()
	r.opt.Header = map[string]string{"Authorization": "Token wrong"}
	f, _ := r.run(t, nothing)
	if err := f.err; err == nil || strings.Contains(err.Error(), "wrong") {
		t.Errorf("error %v: must be there and not show the token", err)
	}
	r.opt.Header = map[string]string{"Authorization": "Token secret"}
	r.run(t)
	if n := r.store.frames(); n != 10 {
		t.Errorf("%d frames at the store, want 10", n)
	}
}

func TestForwardNoStore(t *testing.T) {
	r := newRig(t)
	w := start(t, r.arch, "2026-11-25-001")
	write(t, w, 0, 10)
	defer w.Close()
	r.server.Close()
	f, _ := r.run(t, nothing)
	if err := f.err; !errors.Is(err, errSend) {
		t.Errorf("error %v", err)
	}
	write(t, w, 10, 10) // the recording does not notice
	if w.Err() != nil {
		t.Error(w.Err())
	}
}

func TestNewRefusesOptions(t *testing.T) {
	r := newRig(t)
	for _, u := range []string{"", "store:8086", "ftp://store/", "http://"} {
		opt := r.opt
		opt.URL, opt.Clock = u, clock.System{}
		if _, err := New(opt); err == nil || !strings.Contains(err.Error(), "url") {
			t.Errorf("%q: %v", u, err)
		}
	}
}

func FuzzState(f *testing.F) {
	f.Add([]byte(`{"2026-11-25-001":{"block":12,"done":false}}`))
	f.Add([]byte(`null`))
	name := filepath.Join(f.TempDir(), "state.json")
	f.Fuzz(func(t *testing.T, text []byte) {
		if err := os.WriteFile(name, text, 0o644); err != nil {
			t.Fatal(err)
		}
		s, err := loadState(name)
		if err != nil {
			t.Fatal(err)
		}
		if err := s.set("x", 7, true); err != nil {
			t.Fatal(err)
		}
		if s, err = loadState(name); err != nil || s.at("x") != 7 || !s.done("x") {
			t.Fatalf("%+v %v", s, err)
		}
	})
}
