package serialgauge

import (
	"regexp/syntax"
	"unicode/utf8"
)

// matcher finds a pattern's groups, two at most, in a line. It runs the program that
// package regexp/syntax compiles, as package regexp does, but keeps its memory:
// regexp has no call that gives a group's place without allocating, and a
// reading is to allocate nothing.
//
// It tries alternatives in order and never the same one at the same place twice,
// so a line costs at most the pattern's size times its length.
type matcher struct {
	prog    *syntax.Prog
	visited []uint64 // a bit for each instruction and place
	todo    []step
	group   [2 * maxGroups]int
}

// step is an alternative left to try, or with slot >= 0 an end of a group to set
// back to at.
type step struct {
	pc   uint32
	at   int
	slot int
}

const (
	maxGroups = 2
	groupSlot = 2 // the first of the capture slots that hold groups
)

func newMatcher(pattern string) (*matcher, error) {
	re, err := syntax.Parse(pattern, syntax.Perl)
	if err != nil {
		return nil, err
	}
	prog, err := syntax.Compile(re.Simplify())
	if err != nil {
		return nil, err
	}
	return &matcher{prog: prog}, nil
}

// find tells whether there is a match. text gives what its groups hold.
func (m *matcher) find(line []byte) bool {
	words := (len(m.prog.Inst)*(len(line)+1) + 63) / 64
	if words > len(m.visited) {
		m.visited = make([]uint64, words)
	}
	clear(m.visited[:words])
	for from := 0; from <= len(line); {
		for i := range m.group {
			m.group[i] = -1
		}
		if m.from(line, from) {
			return true
		}
		_, n := next(line, from)
		from += max(n, 1)
	}
	return false
}

// text is what a group, counted from 0, holds in the leftmost match, which find
// found last; nil if the group has no part in it.
func (m *matcher) text(line []byte, group int) []byte {
	from, to := m.group[2*group], m.group[2*group+1]
	if from < 0 || to < 0 {
		return nil
	}
	return line[from:to]
}

// from tries for a match that begins at a place.
func (m *matcher) from(line []byte, at int) bool {
	m.todo = append(m.todo[:0], step{pc: uint32(m.prog.Start), at: at, slot: -1})
	for len(m.todo) > 0 {
		s := m.todo[len(m.todo)-1]
		m.todo = m.todo[:len(m.todo)-1]
		if s.slot >= 0 {
			m.group[s.slot] = s.at
			continue
		}
		if m.run(line, s.pc, s.at) {
			return true
		}
	}
	return false
}

// run follows one alternative to its end and notes the others in todo.
func (m *matcher) run(line []byte, pc uint32, at int) bool {
	for {
		bit := int(pc)*(len(line)+1) + at
		if m.visited[bit/64]&(1<<(bit%64)) != 0 {
			return false
		}
		m.visited[bit/64] |= 1 << (bit % 64)
		in := &m.prog.Inst[pc]
		switch in.Op {
		case syntax.InstMatch:
			return true
		case syntax.InstFail:
			return false
		case syntax.InstAlt, syntax.InstAltMatch:
			m.todo = append(m.todo, step{pc: in.Arg, at: at, slot: -1})
		case syntax.InstCapture:
			if k := int(in.Arg) - groupSlot; k >= 0 && k < len(m.group) {
				m.todo = append(m.todo, step{at: m.group[k], slot: k})
				m.group[k] = at
			}
		case syntax.InstEmptyWidth:
			before, _ := utf8.DecodeLastRune(line[:at])
			after, _ := utf8.DecodeRune(line[at:])
			if at == 0 {
				before = -1
			}
			if at == len(line) {
				after = -1
			}
			if syntax.EmptyOp(in.Arg)&^syntax.EmptyOpContext(before, after) != 0 {
				return false
			}
		case syntax.InstNop:
		default: // a rune of some kind
			r, n := next(line, at)
			if n == 0 || !in.MatchRune(r) {
				return false
			}
			at += n
		}
		pc = in.Out
	}
}

// next is the rune at a place and its length, 0 at the end.
func next(line []byte, at int) (r rune, n int) {
	if at >= len(line) {
		return 0, 0
	}
	return utf8.DecodeRune(line[at:])
}
