package config

import (
	"math"
	"strings"
	"testing"

	"tipoff/drivers/registry"
)

// The altitude gives the standard atmosphere's pressure: 95461 Pa at 500 m, 79501
// Pa at 2000 m of height (ISO 2533, from memory), 6 Pa of it because the formula takes geopotential metres.
func TestAltitude(t *testing.T) {
	_, whole := petrelPier(t)
	i := strings.Index(string(whole), "altitude = ")
	text := string(whole[:i]) + "#" + string(whole[i:])
	with := func(line string) (*Bench, error) {
		return Parse("bench.toml", []byte(strings.Replace(text, "[bench]\n", "[bench]\n"+line+"\n", 1)), registry.All())
	}
	for line, want := range map[string]float64{`altitude = "0 m"`: 101325, `altitude = "500 m"`: 95461, `altitude = "2000 m"`: 79501} {
		if b, err := with(line); err != nil || math.Abs(b.RoomPressure-want) > 10 {
			t.Errorf("%s: %v", line, err)
		}
	}
	for _, line := range []string{`altitude = "500"`, `altitude = "9000 m"`, `altitude = "5 Torr"`} {
		if _, err := with(line); err == nil || !strings.Contains(err.Error(), "altitude") {
			t.Errorf("%s: %v", line, err)
		}
	}
}
