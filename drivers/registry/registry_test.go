package registry

import (
	"testing"

	"tipoff/drivers"
)

// The names are in order and none is there twice; each driver can be opened and
// says what it is. The list is the caller's own.
func TestAll(t *testing.T) {
	all := All()
	for i, d := range all {
		if i > 0 && d.Name <= all[i-1].Name {
			t.Errorf("%s after %s", d.Name, all[i-1].Name)
		}
		if d.Name == "" || d.Summary == "" || d.Bus == "" || d.Open == nil {
			t.Errorf("incomplete: %+v", d)
		}
	}
	all[0] = drivers.Driver{}
	if All()[0].Name == "" {
		t.Error("the list is shared")
	}
}
