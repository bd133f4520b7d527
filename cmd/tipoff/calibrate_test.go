package main

import (
	"bytes"
	"context"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tipoff/calib/certificate"
	"tipoff/logger/bench"
)

// guided runs the verb on the emulated bench with the given answers.
func guided(t *testing.T, dir, answers string, args ...string) (string, error) {
	t.Helper()
	var out, errOut bytes.Buffer
	e := &env{out: &out, err: &errOut, verb: &verb{name: "calibrate", args: "CHANNEL"}}
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	args = append(args, "--emulated", "--speed", "100000", "--store", dir, "--who", "Em")
	err := calibrateFrom(ctx, e, args, strings.NewReader(answers))
	return out.String() + errOut.String(), err
}

// Each procedure on the emulated bench finds the sensor's error, which the test
// knows: the rehearsal's constants.
func TestCalibrateEmulated(t *testing.T) {
	for name, c := range map[string]struct {
		args    []string
		answers string
		check   func(x *certificate.Certificate) (got, want, tolerance float64)
	}{
		"ice and boiling": {[]string{"glass", "--against", "ice,boiling"}, "1003 hPa\nyes\n",
			func(x *certificate.Certificate) (float64, float64, float64) {
				y, _ := x.Apply(rehearsedOffset + rehearsedGain*50)
				return y, 50, 0.35 // cold junction and steps of the chip
			}},
		"thermometer": {[]string{"glass", "--against", "thermometer", "--reference-instrument", "T-100", "--reference-limit", "0.5 K"},
			"50 °C\n\n100 °C\n\n\"150 °C\"\nd\nyes\n",
			func(x *certificate.Certificate) (float64, float64, float64) {
				return x.Fit.C[1], 1 / rehearsedGain, 0.003
			}},
		"wide gauge": {[]string{"manifold", "--against", "atmosphere,utube"}, "1003 hPa\n100 mm\n22 °C\nvacuum\nd\nyes\n",
			func(x *certificate.Certificate) (float64, float64, float64) {
				y, _ := x.Apply(1000)
				return y, 1000 / rehearsedWide, 15
			}},
		"diaphragm gauge": {[]string{"fill", "--against", "utube"}, "50 mm\n22 °C\nvacuum\n\n100 mm\n22 °C\nvacuum\n\n150 mm\n22 °C\nvacuum\nd\nyes\n",
			func(x *certificate.Certificate) (float64, float64, float64) {
				return x.Fit.Span(), 1 / rehearsedSpan, 0.004
			}},
		"current": {[]string{"bombarder", "--reference-instrument", "clamp", "--reference-limit", "1.5 % + 1 mA"}, "100 mA\n\n200 mA\n\n300 mA\nd\nyes\n",
			func(x *certificate.Certificate) (float64, float64, float64) {
				return x.Fit.C[1], 1 / rehearsedRatio, 0.005
			}},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			out, err := guided(t, dir, c.answers, c.args...)
			if err != nil {
				t.Fatalf("%v\n%s", err, out)
			}
			x, err := certificate.Latest(filepath.Join(dir, bench.CertificatesDir), c.args[0])
			if err != nil || x == nil {
				t.Fatalf("no certificate (%v)\n%s", err, out)
			}
			if got, want, tolerance := c.check(x); !(math.Abs(got-want) <= tolerance) {
				t.Errorf("%s: %v, want %v ± %v\n%s", x.Fit, got, want, tolerance, out)
			}
			for _, want := range []string{"settled: steady", "point 1 taken", "residual", "first certificate", "certificate: "} {
				if !strings.Contains(out, want) {
					t.Errorf("the dialogue lacks %q:\n%s", want, out)
				}
			}
		})
	}
}

// A second calibration is compared with the first, and neither file changes.
func TestCalibrateAgain(t *testing.T) {
	dir := t.TempDir()
	picture := filepath.Join(dir, "p.svg")
	if out, err := guided(t, dir, "yes\n", "glass", "--against", "ice"); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	out, err := guided(t, dir, "yes\n", "glass", "--against", "ice", "--picture", picture)
	if err != nil || !strings.Contains(out, "within the uncertainties") {
		t.Errorf("%v\n%s", err, out)
	}
	if data, err := os.ReadFile(picture); err != nil || !bytes.Contains(data, []byte("<svg")) {
		t.Errorf("picture: %v", err)
	}
	if all, err := certificate.All(filepath.Join(dir, bench.CertificatesDir), "glass"); err != nil || len(all) != 2 {
		t.Errorf("%d certificates (%v)", len(all), err)
	}
}

func TestCalibrateRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		args    []string
		answers string
		want    string
	}{
		"no channel":     {[]string{"lamp"}, "", "allowed: manifold, fill, glass, bombarder"},
		"wrong way":      {[]string{"glass", "--against", "clamp"}, "", "allowed for a glass channel"},
		"no instrument":  {[]string{"bombarder"}, "", "its limits are needed"},
		"kind":           {[]string{"glass", "--kind", "ratio"}, "", "--kind"},
		"limit":          {[]string{"bombarder", "--reference-limit", "3 Torr"}, "", "limit of the reference instrument"},
		"months":         {[]string{"glass", "--months", "0"}, "", "--months"},
		"picture":        {[]string{"glass", "--picture", "x.gif"}, "", ".svg or .png"},
		"room":           {[]string{"glass", "--room", "hot"}, "", "room"},
		"due":            {[]string{"glass", "--reference-due", "soon"}, "", "2027-03-01"},
		"input ends":     {[]string{"glass", "--against", "boiling"}, "", "input ended"},
		"two of three":   {[]string{"bombarder", "--reference-instrument", "c", "--reference-limit", "1 %"}, "100 mA\n\n200 mA\nd\nno\n", "too few points"},
		"absurd":         {[]string{"manifold"}, "500 hPa\nd\nx\n", ""},
		"swapped unit":   {[]string{"bombarder", "--reference-instrument", "c", "--reference-limit", "1 %"}, "100 A\n\n200 A\n\n300 A\nd\nx\n", "gain"},
		"stays unstable": {[]string{"glass", "--against", "ice", "--patience", "5s"}, "", "has not settled within 5s"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			out, err := guided(t, dir, c.answers, c.args...)
			if c.want == "" { // 500 hPa at a gauge that shows 963: a factor 2 can be believed of such a gauge
				if err != nil || !strings.Contains(out, "not kept") {
					t.Errorf("%v\n%s", err, out)
				}
				return
			}
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v; want %q\n%s", err, c.want, out)
			}
			var wrong inputError
			if !errors.As(err, &wrong) && c.want != "input ended" && !strings.HasPrefix(c.want, "has not") {
				t.Errorf("%v is not told apart as the user's to correct", err)
			}
			if _, err := os.Stat(filepath.Join(dir, bench.CertificatesDir)); !os.IsNotExist(err) {
				t.Error("a certificate was written")
			}
		})
	}
}
