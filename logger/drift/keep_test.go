package drift

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/calib/certificate"
	"tipoff/logger/frame"
	"tipoff/logger/phase"
)

// seen is a watch that has seen a thermocouple off twice.
func seen() *watched {
	w := &watched{Watch: New(layout(glass), []Input{{AuxScale: 1, Tolerance: 2.5}}, 0)}
	w.feed(90*time.Minute, func(time.Duration) moment { return moment{Now{Phase: phase.Idle}, []frame.Reading{tied(30)}} })
	return w
}

// What was seen on two mornings counts on the third, although the board was off
// in between.
func TestKept(t *testing.T) {
	dir := t.TempDir()
	w := seen()
	if !w.Changed() || w.Changed() {
		t.Error("a change is told once")
	}
	if err := Save(dir, w.Encode()); err != nil {
		t.Fatal(err)
	}
	next := &watched{Watch: New(layout(glass), []Input{{AuxScale: 1, Tolerance: 2.5}}, 0)}
	if err := next.Load(dir); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(next.Encode(), w.Encode()) {
		t.Errorf("%s\n%s", next.Encode(), w.Encode())
	}
	if text, _ := next.Drift(0); text != "" {
		t.Errorf("told too early: %q", text)
	}
	next.feed(20*time.Minute, func(time.Duration) moment {
		return moment{Now{Phase: phase.Idle}, []frame.Reading{tied(30)}}
	})
	if text, _ := next.Drift(0); !strings.Contains(text, "8.0 K more") {
		t.Errorf("the third morning: %q", text)
	}
	// Calibrated meanwhile, or another channel of that name: it is void.
	calibrated := New(layout(glass), nil, 0)
	calibrated.Use(0, certified(t, certificate.Certificate{Channel: "glass", Role: "glass", Procedure: "ice", Drift: 1,
		Points: []certificate.Point{{Reference: 0, Indicated: 8, U: 0.1, Note: "ice"}}}, certificate.Offset))
	if err := calibrated.Load(dir); err != nil || calibrated.Finding(0, Room).Known {
		t.Errorf("%+v, %v", calibrated.Finding(0, Room), err)
	}
	if err := New(layout(wide), nil, 0).Load(t.TempDir()); err != nil {
		t.Errorf("no file: %v", err)
	}
	if err := os.WriteFile(filepath.Join(dir, File), []byte("{"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := next.Load(dir); err == nil || !strings.Contains(err.Error(), "begins anew") {
		t.Errorf("a broken file: %v", err)
	}
	if err := Save(filepath.Join(dir, "none"), nil); err == nil {
		t.Error("kept in a folder that is not there")
	}
}

func TestDecodeRefuses(t *testing.T) {
	good := string(seen().Encode())
	for name, x := range map[string]struct{ from, to, want string }{
		"version": {`"version": 1`, `"version": 2`, "version"},
		"against": {`"room"`, `"moon"`, "against"},
		"u":       {`"u": `, `"u": -`, "u: found"},
		"strikes": {`"strikes": 2`, `"strikes": 99999999`, "strikes"},
		"need":    {`"need": 3`, `"need": 9`, "need"},
		"text":    {`than the room`, `than\u0007 the room`, "printable"},
		"huge":    {`"offset": `, `"offset": 1e300, "offset2": `, "unknown field"},
		"more":    {"\n}\n", "\n}\n{}", "follows"},
		"number":  {`"strikes": 2`, `"strikes": "2"`, "cannot unmarshal"},
	} {
		bad := strings.Replace(good, x.from, x.to, 1)
		if bad == good {
			t.Fatalf("%s: nothing replaced in %s", name, good)
		}
		w := New(layout(glass), nil, 0)
		if err := w.Decode([]byte(bad)); err == nil || !strings.Contains(err.Error(), x.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, want one line with %q", name, err, x.want)
		} else if w.Finding(0, Room).Known {
			t.Errorf("%s: half of it was taken", name)
		}
	}
}

func FuzzDecode(f *testing.F) {
	f.Add(seen().Encode())
	f.Add([]byte(`{"version":1,"channels":[]}`))
	f.Add([]byte(`{"version":1,"channels":[{"channel":"glass","role":"glass","checks":[{"against":"best-base","offset":1,"u":1e-320,"strikes":-3,"need":3,"best":-1,"best_u":1}]}]}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		w := New(layout(glass), nil, 0)
		if w.Decode(text) != nil {
			return
		}
		again := New(layout(glass), nil, 0)
		if err := again.Decode(w.Encode()); err != nil {
			t.Errorf("what was taken cannot be kept: %v\n%s", err, w.Encode())
		}
	})
}
