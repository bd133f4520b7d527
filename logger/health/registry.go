package health

import (
	"slices"
	"strings"
	"sync"
	"time"
)

// Registry holds what is wrong now. All methods may be called from any
// goroutine. Setting what is already set, and clearing what is not, change
// nothing and allocate nothing.
type Registry struct {
	mu       sync.Mutex
	kinds    []*Kind
	entries  map[key]*entry
	onChange func(Change)
	young    int // present troubles that Kind.After still hides
}

type key struct {
	kind    *Kind
	subject string
}

type entry struct {
	Trouble
	present bool
	young   bool
}

// Change tells that a trouble came (Present) or went.
type Change struct {
	Trouble Trouble
	Present bool
	At      time.Duration // monotonic
}

// New makes a registry for kinds. It panics if two kinds share a code or a
// kind depends on a code that is not among them: a mistake in the program.
func New(kinds []*Kind) *Registry {
	codes := make(map[string]bool, len(kinds))
	for _, k := range kinds {
		if codes[k.Code] {
			panic("health: kind " + k.Code + " declared twice")
		}
		codes[k.Code] = true
	}
	for _, k := range kinds {
		for _, d := range k.DependsOn {
			if !codes[d] || d == k.Code {
				panic("health: kind " + k.Code + " depends on " + d)
			}
		}
	}
	return &Registry{kinds: kinds, entries: make(map[key]*entry)}
}

// OnChange sets the function that hears of troubles that come, go or get
// another cause. It is called without locks, on the goroutine that made the
// change, and must return soon. Set it before the registry is in use.
func (r *Registry) OnChange(f func(Change)) {
	r.mu.Lock()
	r.onChange = f
	r.mu.Unlock()
}

// Set says that kind's trouble is there on subject since now (monotonic).
// Parent is the subject that this one depends on, or ""; cause is what was
// found and hint what to do, in words. Called again while the trouble lasts it
// keeps Since and takes over the words. It panics on a kind that New was not
// given.
func (r *Registry) Set(kind *Kind, subject, parent, cause, hint string, now time.Duration) {
	r.mu.Lock()
	e := r.entries[key{kind, subject}]
	switch {
	case e == nil:
		if !slices.Contains(r.kinds, kind) {
			r.mu.Unlock()
			panic("health: kind " + kind.Code + " was not declared")
		}
		e = &entry{Trouble: Trouble{Kind: kind, Subject: subject}}
		r.entries[key{kind, subject}] = e
	case e.present && e.Parent == parent && e.Cause == cause && e.Hint == hint:
		r.mu.Unlock()
		return
	}
	if !e.present {
		e.present = true
		e.Since = now
		e.Count++
		if e.young = kind.After > 0; e.young {
			r.young++
		}
	}
	e.Parent, e.Cause, e.Hint = parent, cause, hint
	r.done(e, now)
}

// Clear says that kind's trouble on subject is over.
func (r *Registry) Clear(kind *Kind, subject string, now time.Duration) {
	r.mu.Lock()
	e := r.entries[key{kind, subject}]
	if e == nil || !e.present {
		r.mu.Unlock()
		return
	}
	e.present = false
	if e.young {
		e.young = false
		r.young--
	}
	r.done(e, now)
}

// done tells of a change to e and gives up the lock.
func (r *Registry) done(e *entry, now time.Duration) {
	f := r.onChange
	c := Change{Trouble: e.Trouble, Present: e.present, At: now}
	c.Trouble.Hidden = e.present && r.hidden(e, now)
	r.mu.Unlock()
	if f != nil {
		f(c)
	}
}

// Step lets time pass: a trouble that has lasted as long as its kind asks for
// is shown from now on, and counts as a change. Call it about once a second.
func (r *Registry) Step(now time.Duration) {
	r.mu.Lock()
	if r.young == 0 {
		r.mu.Unlock()
		return
	}
	var grown []Change
	for _, e := range r.entries {
		if e.young && now-e.Since >= e.Kind.After {
			e.young = false
			r.young--
			c := Change{Trouble: e.Trouble, Present: true, At: now}
			c.Trouble.Hidden = r.hidden(e, now)
			grown = append(grown, c)
		}
	}
	f := r.onChange
	r.mu.Unlock()
	if len(grown) == 0 || f == nil {
		return
	}
	slices.SortFunc(grown, func(a, b Change) int { return compare(&a.Trouble, &b.Trouble) })
	for _, c := range grown {
		f(c)
	}
}

// Present tells whether any subject has trouble of this kind, hidden or not.
func (r *Registry) Present(kind *Kind) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	for k, e := range r.entries {
		if k.kind == kind && e.present {
			return true
		}
	}
	return false
}

// List is what is wrong at now, worst first, those that another one explains
// or that are too young marked Hidden. The caller may keep it.
func (r *Registry) List(now time.Duration) []Trouble {
	r.mu.Lock()
	list := make([]Trouble, 0, len(r.entries))
	for _, e := range r.entries {
		if e.present {
			t := e.Trouble
			t.Hidden = r.hidden(e, now)
			list = append(list, t)
		}
	}
	r.mu.Unlock()
	slices.SortFunc(list, func(a, b Trouble) int { return compare(&a, &b) })
	return list
}

// compare orders by severity, then age, then name, so that a list looks the
// same each time it is made.
func compare(a, b *Trouble) int {
	if a.Kind.Severity != b.Kind.Severity {
		return int(b.Kind.Severity) - int(a.Kind.Severity)
	}
	if a.Since != b.Since {
		if a.Since < b.Since {
			return -1
		}
		return 1
	}
	if c := strings.Compare(a.Kind.Code, b.Kind.Code); c != 0 {
		return c
	}
	return strings.Compare(a.Subject, b.Subject)
}

// hidden tells whether e is too young to show, or explained by a present
// trouble on its own or its parent's subject. An explaining trouble that is
// itself explained still explains: the chain ends at its root. One that is too
// young explains as well: otherwise a bus that stops would first show each of
// its channels and then take them back.
func (r *Registry) hidden(e *entry, now time.Duration) bool {
	if now-e.Since < e.Kind.After {
		return true
	}
	for _, code := range e.Kind.DependsOn {
		for _, k := range r.kinds {
			if k.Code != code {
				continue
			}
			if x := r.entries[key{k, e.Subject}]; x != nil && x.present {
				return true
			}
			if e.Parent == "" {
				continue
			}
			if x := r.entries[key{k, e.Parent}]; x != nil && x.present {
				return true
			}
		}
	}
	return false
}
