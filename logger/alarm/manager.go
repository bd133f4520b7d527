package alarm

import (
	"fmt"
	"sync"
	"time"

	"tipoff/drivers"
)

const (
	// MaxShelf is the longest time for which an alarm can be shelved. A bench
	// run lasts about half an hour; what is silenced longer is forgotten.
	MaxShelf = 30 * time.Minute

	// Three raises in a minute are chatter (EEMUA 191 practice, from memory).
	// A chattering alarm stays raised until its condition has been gone for
	// chatterHold, so that it sounds once and not at each turn.
	chatterRaises = 3
	chatterWindow = time.Minute
	chatterHold   = 15 * time.Second
)

// Detail is what an alarm's condition was found by. It becomes text only when
// somebody reads it, so that Set costs nothing in the path of a frame.
type Detail struct {
	Format       func(value, limit float64) string // a plain function, not a closure made per frame; nil for none
	Value, Limit float64
}

// String is the detail in words, "" if there is none.
func (d Detail) String() string {
	if d.Format == nil {
		return ""
	}
	return d.Format(d.Value, d.Limit)
}

// Status is one alarm that is not Normal.
type Status struct {
	Definition *Definition // not to be changed
	Index      int
	State      State
	Since      time.Duration // when it was raised, monotonic
	Detail     Detail
	Count      int  // how often it was raised since the start
	FirstOut   bool // it was the first of those now present
	Chattering bool
}

// Change tells of one alarm's change of state.
type Change struct {
	Definition *Definition
	Index      int
	From, To   State
	At         time.Duration // monotonic
	Detail     string
	FirstOut   bool
}

// Manager keeps the states of a fixed set of alarms. All methods may be called
// from any goroutine. Set and Step allocate nothing while no state changes.
type Manager struct {
	mu       sync.Mutex
	alarms   []entry
	index    map[string]int
	patterns []*drivers.Pattern
	firstOut int // index of the alarm that came first, -1 while all are normal
	onChange func(Change)
}

type entry struct {
	def     Definition
	by      []int // indexes of SuppressedBy
	state   State
	cond    bool          // the condition as last set
	turned  time.Duration // when cond last changed
	raised  bool          // cond after the delays
	acked   bool
	ackedAt time.Duration
	waiting bool // condition gone, not yet acknowledged
	since   time.Duration
	count   int
	raises  [chatterRaises]time.Duration // when raised last, a ring by count
	noisy   bool
	shelf   time.Duration // shelved until, if on the shelf
	shelved bool
	out     bool // out of service
	detail  Detail
}

// New makes a manager. It panics if two definitions share an ID, one has no
// response or priority, names an unknown alarm in SuppressedBy, or is
// suppressed by itself in a circle: mistakes in the program.
func New(defs []Definition) *Manager {
	m := &Manager{alarms: make([]entry, len(defs)), index: make(map[string]int, len(defs)), firstOut: -1}
	for i, d := range defs {
		if _, twice := m.index[d.ID]; twice || d.ID == "" {
			panic(fmt.Sprintf("alarm: ID %q missing or used twice", d.ID))
		}
		if d.Priority < Low || d.Priority > High || d.Response == "" {
			panic("alarm: " + d.ID + " has no priority or no response")
		}
		m.index[d.ID] = i
		m.alarms[i].def = d
		m.patterns = append(m.patterns, PatternOf(&d))
	}
	for i := range m.alarms {
		for _, id := range m.alarms[i].def.SuppressedBy {
			j, ok := m.index[id]
			if !ok {
				panic("alarm: " + m.alarms[i].def.ID + " is suppressed by the unknown alarm " + id)
			}
			m.alarms[i].by = append(m.alarms[i].by, j)
		}
	}
	for i := range m.alarms {
		if m.reaches(i, i, len(m.alarms)) {
			panic("alarm: " + m.alarms[i].def.ID + " is suppressed by itself in a circle")
		}
	}
	return m
}

// reaches tells whether alarm to is among those that suppress from, at most
// depth steps away.
func (m *Manager) reaches(from, to, depth int) bool {
	if depth == 0 {
		return false
	}
	for _, j := range m.alarms[from].by {
		if j == to || m.reaches(j, to, depth-1) {
			return true
		}
	}
	return false
}

// Index finds an alarm's index by its ID, -1 if there is none.
func (m *Manager) Index(id string) int {
	if i, ok := m.index[id]; ok {
		return i
	}
	return -1
}

// OnChange sets the function that hears of changes. It is called without
// locks on the goroutine that caused the change. Set it before use.
func (m *Manager) OnChange(f func(Change)) {
	m.mu.Lock()
	m.onChange = f
	m.mu.Unlock()
}

// Set says whether the condition of alarm i (from Index) holds at now, and by
// what it was found. The state follows at the next Step. A negative i is
// nothing. The caller sees to any deadband.
func (m *Manager) Set(i int, active bool, now time.Duration, d Detail) {
	if i < 0 {
		return
	}
	m.mu.Lock()
	e := &m.alarms[i]
	if e.cond != active {
		e.cond, e.turned = active, now
	}
	if active {
		e.detail = d // kept when the condition is gone: it says what it was
	}
	m.mu.Unlock()
}

// Step brings all states up to now (monotonic). Call it once a frame, after
// the Sets, and also while no frames come.
func (m *Manager) Step(now time.Duration) {
	m.mu.Lock()
	for i := range m.alarms {
		m.alarms[i].delays(now)
	}
	m.settle(now) // gives up the lock
}

// delays turns the condition into raised, by on delay, off delay and chatter.
func (e *entry) delays(now time.Duration) {
	held := now - e.turned
	if e.shelved && now >= e.shelf {
		e.shelved = false
	}
	if !e.raised {
		if e.cond && held >= e.def.OnDelay {
			e.raise(now)
		}
		return
	}
	off := e.def.OffDelay
	if e.noisy {
		off = max(off, chatterHold)
	}
	if !e.cond && held >= off {
		e.raised, e.noisy = false, false
		e.waiting = !e.acked
		return
	}
	if e.acked && e.def.ReAlarm > 0 && now-e.ackedAt >= e.def.ReAlarm {
		e.acked = false
	}
}

func (e *entry) raise(now time.Duration) {
	e.raised, e.acked, e.waiting = true, false, false
	e.since = now
	oldest := e.raises[(e.count+1)%chatterRaises]
	e.raises[e.count%chatterRaises] = now
	e.count++
	e.noisy = e.count >= chatterRaises && now-oldest <= chatterWindow
}

// settle works out the states from what delays, acknowledgement and shelf have
// left, gives up the lock and tells of the changes.
func (m *Manager) settle(now time.Duration) {
	var changes []Change
	first := m.firstOut
	for i := range m.alarms {
		e := &m.alarms[i]
		to := m.stateOf(e)
		if to == e.state {
			continue
		}
		if e.state == Normal && first < 0 && e.raised {
			first = i
		}
		c := Change{Definition: &e.def, Index: i, From: e.state, To: to, At: now, FirstOut: first == i}
		if m.onChange != nil {
			c.Detail = e.detail.String()
			changes = append(changes, c)
		}
		e.state = to
	}
	// First-out is kept until everything is normal again.
	m.firstOut = -1
	if first >= 0 {
		for i := range m.alarms {
			if e := &m.alarms[i]; e.raised || e.waiting {
				m.firstOut = first
				break
			}
		}
	}
	f := m.onChange
	m.mu.Unlock()
	for _, c := range changes {
		f(c)
	}
}

func (m *Manager) stateOf(e *entry) State {
	switch {
	case e.out:
		return OutOfService
	case e.shelved:
		return Shelved
	case e.raised:
		for _, j := range e.by {
			if x := &m.alarms[j]; x.raised && !x.out && !x.shelved {
				return SuppressedByDesign
			}
		}
		if e.acked {
			return Acknowledged
		}
		return Unacknowledged
	case e.waiting && e.def.Latched:
		return LatchedUnack
	case e.waiting && e.state == SuppressedByDesign:
		// It came and went while another alarm explained it: there is
		// nothing to acknowledge.
		e.waiting = false
		return Normal
	case e.waiting:
		return ReturnedUnack
	}
	return Normal
}

// Acknowledge acknowledges the alarm id at now, or all if id is "". A latched
// alarm whose condition is gone is reset by it. Acknowledging what needs none
// does nothing; an unknown id is an error.
func (m *Manager) Acknowledge(id string, now time.Duration) error {
	if id == "" {
		m.mu.Lock()
		for i := range m.alarms {
			m.alarms[i].acknowledge(now)
		}
		m.settle(now)
		return nil
	}
	return m.change(id, now, func(e *entry) { e.acknowledge(now) })
}

func (e *entry) acknowledge(now time.Duration) {
	switch e.state {
	case Unacknowledged:
		e.acked, e.ackedAt = true, now
	case ReturnedUnack, LatchedUnack:
		e.waiting = false
	}
}

// Shelve silences the alarm id from now until the given time, at most MaxShelf
// ahead. When the time is over and the condition still holds, it is raised
// again and wants to be acknowledged.
func (m *Manager) Shelve(id string, until, now time.Duration) error {
	if until <= now || until-now > MaxShelf {
		return fmt.Errorf("shelving alarm %q for %v: must be more than 0 and at most %v", id, until-now, MaxShelf)
	}
	return m.change(id, now, func(e *entry) {
		e.shelved, e.shelf = true, until
		e.acked = false
	})
}

// Unshelve ends a Shelve early.
func (m *Manager) Unshelve(id string, now time.Duration) error {
	return m.change(id, now, func(e *entry) { e.shelved = false })
}

// OutOfService takes the alarm id out of service, or puts it back.
func (m *Manager) OutOfService(id string, out bool, now time.Duration) error {
	return m.change(id, now, func(e *entry) { e.out = out })
}

func (m *Manager) change(id string, now time.Duration, f func(*entry)) error {
	i, ok := m.index[id]
	if !ok {
		return fmt.Errorf("no alarm is called %q", id)
	}
	m.mu.Lock()
	f(&m.alarms[i])
	m.settle(now)
	return nil
}

// Active appends the alarms that are not Normal to dst, most urgent first:
// unacknowledged before the rest, then by priority, then the oldest.
func (m *Manager) Active(dst []Status) []Status {
	m.mu.Lock()
	defer m.mu.Unlock()
	start := len(dst)
	for i := range m.alarms {
		e := &m.alarms[i]
		if e.state == Normal {
			continue
		}
		dst = append(dst, Status{Definition: &e.def, Index: i, State: e.state, Since: e.since, Detail: e.detail,
			Count: e.count, FirstOut: i == m.firstOut, Chattering: e.noisy})
		// Insertion keeps the few that there are in order without a sort's
		// allocation.
		for k := len(dst) - 1; k > start && dst[k].before(&dst[k-1]); k-- {
			dst[k], dst[k-1] = dst[k-1], dst[k]
		}
	}
	return dst
}

func (s *Status) before(o *Status) bool {
	if a, b := s.State.rank(), o.State.rank(); a != b {
		return a < b
	}
	if s.Definition.Priority != o.Definition.Priority {
		return s.Definition.Priority > o.Definition.Priority
	}
	return s.Since < o.Since
}

// rank orders states by how much they want the operator.
func (s State) rank() int {
	switch s {
	case Unacknowledged, LatchedUnack:
		return 0
	case Acknowledged:
		return 1
	case ReturnedUnack:
		return 2
	default:
		return 3
	}
}

// Sound is the alarm that should be heard now: the most urgent one that nobody
// has acknowledged, the oldest of them. The index is -1 for silence. An alarm
// that has returned by itself is silent; a latched one sounds until it is
// acknowledged.
func (m *Manager) Sound() (Priority, int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	best := -1
	for i := range m.alarms {
		e := &m.alarms[i]
		if e.state != Unacknowledged && e.state != LatchedUnack {
			continue
		}
		if best < 0 || e.def.Priority > m.alarms[best].def.Priority ||
			e.def.Priority == m.alarms[best].def.Priority && e.since < m.alarms[best].since {
			best = i
		}
	}
	if best < 0 {
		return 0, -1
	}
	return m.alarms[best].def.Priority, best
}
