package trace

import (
	"math"
	"strings"
	"testing"
)

func TestUncertaintyColumns(t *testing.T) {
	tr, notices, err := Parse("t.csv", strings.NewReader("time [s],glass u [F],glass [F],pressure [Torr]\n0,1.8,212,1\n1,,213.8,2\n"))
	if err != nil || len(notices) != 0 {
		t.Fatal(err, notices)
	}
	// 1.8 °F of difference are 1 K; 212 °F are 100 °C (definition of the scale).
	if u := tr.us[0]; math.Abs(u[0]-1) > 1e-12 || !math.IsNaN(u[1]) || math.Abs(tr.values[0][0]-100) > 1e-12 {
		t.Errorf("u %v of %v", u, tr.values[0])
	}
	if tr.us[1] != nil {
		t.Errorf("pressure has uncertainties: %v", tr.us[1])
	}
	for _, bad := range []string{
		"time [s],glass u [K]\n0,1\n",
		"time [s],glass u [K],pressure [Pa]\n0,1,1\n",
		"time [s],glass [C],glass u [K]\n0,1,-1\n",
		"time [s],glass [C],glass u [Pa]\n0,1,1\n",
	} {
		if _, _, err := Parse("t.csv", strings.NewReader(bad)); err == nil {
			t.Errorf("accepted: %q", bad)
		}
	}
}
