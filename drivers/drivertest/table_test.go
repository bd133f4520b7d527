package drivertest

import (
	"slices"
	"testing"
)

// The table names only faults that there are, each with a reason; no driver is
// let off being unplugged, silent or late.
func TestTable(t *testing.T) {
	var names []string
	for _, f := range (Subject{}).breakages() {
		names = append(names, f.name)
	}
	for driver, why := range notFor {
		for fault, reason := range why {
			if !slices.Contains(names, fault) || reason == "" {
				t.Errorf("%s, %s: %q", driver, fault, reason)
			}
		}
		for _, fault := range []string{noAnswer, halfFail, answersLate, unplugged} {
			if why[fault] != "" {
				t.Errorf("%s: %s is left out", driver, fault)
			}
		}
	}
}
