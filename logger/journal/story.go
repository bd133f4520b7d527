package journal

import (
	"time"

	"tipoff/logger/phase"
)

// A story gathers what run.toml tells of a run while its lines pass: phases,
// alarms, the end. The writer keeps one; recovery makes one from the lines.
type story struct {
	started time.Duration
	last    time.Duration // of the latest line
	frames  uint64
	phases  []phase.Segment
	alarms  []Alarm
}

func newStory(started time.Duration) *story {
	return &story{started: started, last: started, phases: make([]phase.Segment, 0, 64)}
}

// frame takes a frame's time and phase and tells whether the phase is a new one.
func (s *story) frame(at time.Duration, p phase.ID) bool {
	s.frames++
	s.last = at
	n := len(s.phases)
	if n > 0 && s.phases[n-1].Phase == p {
		s.phases[n-1].To = at
		return false
	}
	if n > 0 {
		s.phases[n-1].To = at
	}
	s.phases = append(s.phases, phase.Segment{Phase: p, From: at, To: at})
	return true
}

func (s *story) event(e Event) {
	at := (e.At - s.started).Seconds()
	switch e.Kind {
	case AlarmRaised:
		s.alarms = append(s.alarms, Alarm{ID: e.ID, RaisedS: at, AckS: -1, ClearedS: -1, Detail: e.Text})
	case AlarmAcked, AlarmCleared:
		for i := len(s.alarms) - 1; i >= 0; i-- {
			a := &s.alarms[i]
			if a.ID != e.ID {
				continue
			}
			if e.Kind == AlarmAcked && a.AckS < 0 {
				a.AckS = at
			}
			if e.Kind == AlarmCleared && a.ClearedS < 0 {
				a.ClearedS = at
			}
			break
		}
	}
}

// fill puts the story into m where m does not say otherwise.
func (s *story) fill(m *Meta) {
	if len(m.Phases) == 0 {
		for _, p := range s.phases {
			m.Phases = append(m.Phases, Phase{
				Phase: p.Phase.String(), FromS: (p.From - s.started).Seconds(), ToS: (p.To - s.started).Seconds(),
			})
		}
	}
	if len(m.Alarms) == 0 {
		m.Alarms = append(m.Alarms, s.alarms...)
	}
	if m.Ended.MonoNS == 0 {
		m.Ended.MonoNS = int64(s.last)
		// The wall clock's progress is the monotonic one's: no other is known.
		if !m.Started.Wall.IsZero() {
			m.Ended.Wall = m.Started.Wall.Add(s.last - s.started)
			m.Ended.Trusted = m.Started.Trusted
		}
	}
}
