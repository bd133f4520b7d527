package alarm

import (
	"strings"
	"sync"
	"testing"
	"time"
)

func TestSetAndStepAllocateNothing(t *testing.T) {
	m := New(BenchAlarms())
	m.OnChange(func(Change) {})
	i := m.Index(GlassOverCeiling)
	now := time.Duration(0)
	dst := make([]Status, 0, len(m.alarms))
	frame := func() {
		now += 100 * time.Millisecond
		for k := range len(m.alarms) {
			m.Set(k, k == i && now > time.Minute, now, Detail{Format: number, Value: now.Seconds(), Limit: 250})
		}
		m.Step(now)
		dst = m.Active(dst[:0])
		m.Pattern()
	}
	if n := testing.AllocsPerRun(100, frame); n != 0 {
		t.Errorf("%v allocations a frame with nothing wrong", n)
	}
	now = 2 * time.Minute
	frame()
	frame()
	frame()
	if len(dst) != 1 || dst[0].State != Unacknowledged || !strings.HasSuffix(dst[0].Detail.String(), " of 250") {
		t.Fatalf("active: %+v", dst)
	}
	if n := testing.AllocsPerRun(100, frame); n != 0 {
		t.Errorf("%v allocations a frame while an alarm lasts", n)
	}
}

func BenchmarkFrame(b *testing.B) {
	m := New(BenchAlarms())
	dst := make([]Status, 0, len(m.alarms))
	b.ReportAllocs()
	now := time.Duration(0)
	for b.Loop() {
		now += 100 * time.Millisecond
		for k := range len(m.alarms) {
			m.Set(k, k == 0, now, Detail{Format: number, Value: 1, Limit: 2})
		}
		m.Step(now)
		dst = m.Active(dst[:0])
		m.Pattern()
	}
}

func TestChangeTells(t *testing.T) {
	m := New([]Definition{{ID: "a", Priority: High, Response: "r"}})
	var got []Change
	m.OnChange(func(c Change) {
		got = append(got, c)
		m.Active(nil) // no lock is held
	})
	m.Set(0, true, 5, Detail{Format: number, Value: 262, Limit: 260})
	m.Step(5)
	m.Step(6)
	if len(got) != 1 || got[0].From != Normal || got[0].To != Unacknowledged || got[0].At != 5 ||
		got[0].Detail != "262 of 260" || !got[0].FirstOut || got[0].Definition.ID != "a" {
		t.Errorf("changes: %+v", got)
	}
	m.Set(-1, true, 6, Detail{})
}

func TestErrors(t *testing.T) {
	m := New([]Definition{{ID: "a", Priority: High, Response: "r"}})
	for name, err := range map[string]error{
		"unknown ack":    m.Acknowledge("b", 0),
		"unknown shelf":  m.Shelve("b", 1, 0),
		"unknown out":    m.OutOfService("b", true, 0),
		"too long":       m.Shelve("a", MaxShelf+1, 0),
		"back in time":   m.Shelve("a", 5, 6),
		"unknown unshel": m.Unshelve("b", 0),
	} {
		if err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if m.Index("b") != -1 {
		t.Error("an index for an unknown alarm")
	}
}

func TestNewRefuses(t *testing.T) {
	for name, defs := range map[string][]Definition{
		"twice":       {{ID: "a", Priority: 1, Response: "r"}, {ID: "a", Priority: 1, Response: "r"}},
		"no response": {{ID: "a", Priority: 1}},
		"no priority": {{ID: "a", Response: "r"}},
		"unknown":     {{ID: "a", Priority: 1, Response: "r", SuppressedBy: []string{"b"}}},
		"circle": {{ID: "a", Priority: 1, Response: "r", SuppressedBy: []string{"b"}},
			{ID: "b", Priority: 1, Response: "r", SuppressedBy: []string{"a"}}},
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s: accepted", name)
				}
			}()
			New(defs)
		}()
	}
}

// TestPatterns holds the shape that IEC 60601-1-8 asks for. Pulse counts:
// systems.md B3 (read); ranges of lengths and pauses: the same, from memory.
func TestPatterns(t *testing.T) {
	const ms = time.Millisecond
	for _, c := range []struct {
		p                  Priority
		least, most        int
		short, long        time.Duration
		pauseMin, pauseMax time.Duration
	}{
		{High, 10, 10, 75 * ms, 200 * ms, 2500 * ms, 15 * time.Second},
		{Medium, 3, 3, 125 * ms, 250 * ms, 2500 * ms, 30 * time.Second},
		{Low, 1, 2, 125 * ms, 250 * ms, 15 * time.Second, time.Hour},
	} {
		p := PatternFor(c.p)
		if n := len(p.Pulses); n < c.least || n > c.most {
			t.Errorf("%s: %d pulses", c.p, n)
		}
		end := time.Duration(0)
		for i, u := range p.Pulses {
			if u.Length < c.short || u.Length > c.long || i > 0 && u.Start <= end {
				t.Errorf("%s: pulse %d: %+v", c.p, i, u)
			}
			end = u.Start + u.Length
		}
		// The pause between bursts, from the end of the last pulse.
		if pause := p.Repeat - end; pause < c.pauseMin || pause > c.pauseMax {
			t.Errorf("%s: pause %v", c.p, pause)
		}
		if p.Tone < 150 || p.Tone > 1000 {
			t.Errorf("%s: tone %v Hz", c.p, p.Tone)
		}
	}
	if PatternFor(0) != nil {
		t.Error("a sound for no priority")
	}
	// The warning must not be taken for an alarm: no other has its name or
	// shape. ISO 7731: 0.5 to 4 pulses a second (from memory).
	a := PatternOf(&Definition{Priority: High, Signal: Approach})
	if rate := float64(len(a.Pulses)) / a.Repeat.Seconds(); a.Name == PatternFor(High).Name || rate < 0.5 || rate > 4 {
		t.Errorf("approach: %+v", a)
	}
}

func TestBenchAlarms(t *testing.T) {
	defs := BenchAlarms()
	New(defs) // panics if they contradict
	for _, d := range defs {
		if d.Title == "" || !strings.HasSuffix(d.Response, ".") {
			t.Errorf("%+v", d)
		}
		// What needs the operator within seconds must not wait long.
		if d.Priority == High && d.OnDelay > time.Second {
			t.Errorf("%s waits %v", d.ID, d.OnDelay)
		}
	}
}

func TestConcurrentUse(t *testing.T) {
	m := New(BenchAlarms())
	m.OnChange(func(Change) {})
	var wg sync.WaitGroup
	for g := range 4 {
		wg.Go(func() {
			for k := range 500 {
				now := time.Duration(k) * time.Second
				m.Set((k+g)%len(m.alarms), k%3 == 0, now, Detail{})
				m.Step(now)
				if err := m.Acknowledge("", now); err != nil {
					t.Error(err)
				}
				m.Active(nil)
				m.Pattern()
			}
		})
	}
	wg.Wait()
}
