package registry

import (
	"slices"
	"testing"

	"tipoff/drivers"
)

func TestAll(t *testing.T) {
	all := All()
	if !slices.IsSortedFunc(all, func(a, b drivers.Driver) int {
		if a.Name < b.Name {
			return -1
		}
		return 1
	}) {
		t.Error("names are not in order, or one is there twice")
	}
	for _, d := range all {
		got, ok := Named(d.Name)
		if !ok || got.Name != d.Name || got.Open == nil {
			t.Errorf("%s is not found by its name", d.Name)
		}
	}
	if _, ok := Named("no such driver"); ok {
		t.Error("a driver that does not exist is found")
	}
}
