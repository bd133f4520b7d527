package journal

import (
	"path/filepath"
	"testing"
	"time"

	"tipoff/logger/frame"
	"tipoff/logger/phase"
)

// Frames' timestamps are rounded to 10 µs of the wall clock. The run's begin is rounded
// as well, so that its first frame is at 0 s, neither before nor after it.
func TestFirstFrameIsTheBegin(t *testing.T) {
	l := frame.NewLayout(time.Second, []frame.Channel{{Name: "g", Role: frame.Glass}})
	for _, ns := range []int64{0, 1, 4999, 5000, 5001, 9999, -1} {
		for _, trusted := range []bool{true, false} {
			dir := filepath.Join(t.TempDir(), "a")
			from := 100*time.Second + time.Duration(ns)/2
			started := At(from, time.Unix(1e9, 812_680+ns), trusted)
			w, err := Create(dir, Meta{ID: "a", BootID: "b", Started: started}, l, Options{Patient: true})
			if err != nil {
				t.Fatal(err)
			}
			w.Append(&frame.Frame{Seq: 1, At: from}, phase.Idle)
			if err := w.Seal(func(m *Meta) { m.Outcome, m.Ended = Completed, At(from+time.Second, started.Wall, trusted) }); err != nil {
				t.Fatal(err)
			}
			r, err := Open(dir)
			if err != nil {
				t.Fatal(err)
			}
			var rec Record
			for !rec.IsFrame && err == nil {
				err = r.Next(&rec)
			}
			m := r.Meta()
			if err != nil || rec.Frame.At != m.Started.Mono() {
				t.Errorf("%d ns, %v: first frame %v after the begin, %v", ns, trusted, rec.Frame.At-m.Started.Mono(), err)
			}
			if off := m.Started.Mono() - from; off < -5*time.Microsecond || off > 5*time.Microsecond || m.Started.Wall.Sub(started.Wall) != off {
				t.Errorf("%d ns, %v: the begin is off by %v, by the wall clock %v", ns, trusted, off, m.Started.Wall.Sub(started.Wall))
			}
			if err := r.Close(); err != nil {
				t.Error(err)
			}
		}
	}
}
