package config

import (
	"strings"
	"testing"

	"tipoff/drivers"
)

// A bench whose current is measured on the primary side, and what may not be.
func TestPrimarySide(t *testing.T) {
	const head = "[bench]\nname = \"b\"\nmains = \"50 Hz\"\nmanifold_volume = \"1 L\"\n[store]\ndirectory = \"/x\"\n" +
		"[[channel]]\nname = \"a\"\nrole = \"current\"\ndriver = \"plain\"\n[channel.calibration]\nkind = \"current\"\nburden = \"10 ohm\"\nratio = \"1000:1\"\n"
	known := []drivers.Driver{{Name: "plain"}}
	parse := func(keys string) error {
		_, err := Parse("b.toml", []byte(head+keys), known)
		return err
	}
	b, err := Parse("b.toml", []byte(head+"side = \"primary\"\nturns_ratio = \"65:1\"\nmagnetising = \"6 A\"\nfloor = \"500 mA\"\n"), known)
	if err != nil {
		t.Fatal(err)
	}
	p := b.Channels[0].Calibration.Params
	if !p.PrimarySide || p.TurnsRatio != 65 || p.Magnetising != 6 || p.MagnetisingAngle != 90 || p.FloorAmps != 0.5 {
		t.Errorf("%+v", p)
	}
	for keys, want := range map[string]string{
		"side = \"primary\"\n":                                                  "turns_ratio",
		"side = \"tertiary\"\n":                                                 `"secondary"`,
		"turns_ratio = \"65:1\"\n":                                              "only for current measured on the primary side",
		"side = \"secondary\"\nmagnetising = \"6 A\"\n":                         "only for current measured on the primary side",
		"side = \"primary\"\nturns_ratio = \"0.5:1\"\n":                         "turns_ratio",
		"side = \"primary\"\nturns_ratio = \"65:1\"\nmagnetising_angle = 200\n": "magnetising_angle",
		"floor = \"500 mA\"\n":                                                  "floor",
	} {
		if err := parse(keys); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", keys, err, want)
		}
	}
}
