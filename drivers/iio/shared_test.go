package iio

import (
	"slices"
	"testing"
)

// File names by Linux Documentation/ABI/testing/sysfs-bus-iio: in_voltage0_scale,
// in_voltage_scale, and in_voltage-voltage_scale for all differential channels, which
// goes before the one of the single-ended.
func TestShared(t *testing.T) {
	for channel, want := range map[string][]string{
		"voltage0":          {"in_voltage0_scale", "in_voltage_scale"},
		"temp":              {"in_temp_scale"},
		"temp_ambient":      {"in_temp_ambient_scale", "in_temp_scale"},
		"voltage0-voltage1": {"in_voltage0-voltage1_scale", "in_voltage-voltage_scale", "in_voltage_scale"},
		"voltage0_raw":      nil,
		"count0":            nil,
		"in_voltage0":       nil,
		"../voltage0":       nil,
	} {
		if got := Shared(channel, "scale"); !slices.Equal(got, want) {
			t.Errorf("%s: %q, want %q", channel, got, want)
		}
		if (Kind(channel) == "") != (want == nil) {
			t.Errorf("%s: kind %q", channel, Kind(channel))
		}
	}
}
