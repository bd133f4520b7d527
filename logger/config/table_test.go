package config

import (
	"errors"
	"strings"
	"testing"

	"tipoff/calib/strict"
	"tipoff/drivers/registry"
)

// A table of volts and pressures that is not one gives one error, with its line
// and key, and nothing of it is applied.
func TestBadTables(t *testing.T) {
	good := string(read(t, "testdata/good-table.toml"))
	const volts, pressure = `["500 mV", "1 V", "2.5 V"]`, `["1 micron", "1 Torr", "10 mbar"]`
	if !strings.Contains(good, "volts = "+volts) || !strings.Contains(good, "pressure = "+pressure) {
		t.Fatal("the good file has not the table that is to be spoilt")
	}
	for name, c := range map[string]struct{ volts, pressure, key string }{
		"NaN volts":        {`["1 V", "NaN V", "3 V"]`, `["1 Pa", "2 Pa", "3 Pa"]`, "volts"},
		"NaN pressure":     {`["1 V", "2 V", "3 V"]`, `["1 Pa", "NaN Pa", "3 Pa"]`, "pressure"},
		"infinite":         {`["1 V", "2 V", "3 V"]`, `["1 Pa", "2 Pa", "inf Pa"]`, "pressure"},
		"infinite volts":   {`["1 V", "2 V", "inf V"]`, `["1 Pa", "2 Pa", "3 Pa"]`, "volts"},
		"empty":            {`[]`, `[]`, "volts"},
		"one row":          {`["1 V"]`, `["1 Pa"]`, "volts"},
		"wrong unit":       {`["1 V", "2 V"]`, `["1 mA", "2 mA"]`, "pressure"},
		"no unit":          {`["1", "2"]`, `["1 Pa", "2 Pa"]`, "volts"},
		"numbers":          {`[1.0, 2.0]`, `["1 Pa", "2 Pa"]`, "volts"},
		"swapped columns":  {`["1 Pa", "2 Pa"]`, `["1 V", "2 V"]`, "volts"},
		"volts turn back":  {`["1 V", "3 V", "2 V"]`, `["1 Pa", "2 Pa", "3 Pa"]`, "volts"},
		"turns back":       {`["1 V", "2 V", "3 V"]`, `["1 Pa", "3 Pa", "2 Pa"]`, "pressure"},
		"stands still":     {`["1 V", "2 V", "3 V"]`, `["1 Pa", "2 Pa", "2 Pa"]`, "pressure"},
		"nothing":          {`["1 V", "2 V"]`, `["0 Pa", "2 Pa"]`, "pressure"},
		"unlike in length": {`["1 V", "2 V", "3 V"]`, `["1 Pa", "2 Pa"]`, "pressure"},
	} {
		text := strings.Replace(strings.Replace(good, volts, c.volts, 1), pressure, c.pressure, 1)
		b, err := Parse("b.toml", []byte(text), registry.All())
		var e *strict.Error
		if !errors.As(err, &e) || e.Line == 0 || !strings.Contains(e.Key, c.key) || e.Found == "" || e.Allowed == "" || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v; want one line about %s", name, err, c.key)
		}
		if b != nil {
			t.Errorf("%s: a bench comes with the error", name)
		}
	}
}
