package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
)

// late is a finding that a host can cause that holds the guest up: what is right
// came too late or too seldom. Every other finding is the daemon's, whatever the
// host did.
type late struct{ error }

func lately(format string, args ...any) error { return late{fmt.Errorf(format, args...)} }

// onlyLate tells whether all findings that err joins are late ones.
func onlyLate(err error) bool {
	if all, ok := err.(interface{ Unwrap() []error }); ok {
		for _, one := range all.Unwrap() {
			if !onlyLate(one) {
				return false
			}
		}
		return true
	}
	_, ok := err.(late)
	return ok
}

// host is how the host treated QEMU, as run's watch saw it, ms: by how much a wait
// of 0.1 s was late at worst, and how long QEMU's threads ran and, ready to run,
// waited for a processor.
type host struct{ late, ran, waited float64 }

// readHost reads what watch wrote; if it wrote nothing, nothing is excused.
func readHost(path string) (h host, err error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return host{}, nil
	}
	if err != nil {
		return host{}, err
	}
	if _, err := fmt.Sscan(string(text), &h.late, &h.ran, &h.waited); err != nil {
		return host{}, fmt.Errorf("%s: %w", path, err)
	}
	return h, nil
}

// held tells whether the host held the guest up by so much that it can have been
// late for that. On two cores of load 30 QEMU in front of all else had a wait 105 ms
// late and waited 0.3 of the time that it ran, its own threads for each other too, and
// all was proven; in line with the others it waited 2.6 of it, and bursts were torn.
func (h host) held() bool { return h.late > 300 || h.waited > h.ran/2 }

// code is the exit code for what was found.
func code(found error, h host) int {
	switch {
	case found == nil:
		return 0
	case onlyLate(found) && h.held():
		return 75
	}
	return 1
}
