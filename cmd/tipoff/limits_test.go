package main

import (
	"bytes"
	"context"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// limitsOf runs the verb and gives exit code and output.
func limitsOf(t *testing.T, args ...string) (int, string, string) {
	t.Helper()
	var out, errs bytes.Buffer
	code := run(context.Background(), append([]string{"limits"}, args...), &out, &errs)
	return code, out.String(), errs.String()
}

const pier = "../../deploy/petrel-pier/"

// The tables fit a terminal of 80 columns, name every limit and say which rest
// on common practice; the reasons follow, and the picture is one.
func TestLimitsVerb(t *testing.T) {
	picture := filepath.Join(t.TempDir(), "limits.png")
	code, out, errs := limitsOf(t, "--bench", pier+"bench.toml", "--picture", picture, pier+"PP-03.toml")
	if code != 0 || errs != "" {
		t.Fatalf("code %d: %s", code, errs)
	}
	for line := range strings.Lines(out) {
		if n := len([]rune(strings.TrimRight(line, "\n"))); n > 80 && !strings.HasPrefix(line, "picture: ") {
			t.Errorf("%d columns: %s", n, line)
		}
	}
	for _, want := range []string{
		"Glass ceiling ", "Heating band ", "Current for shells ", "Old gas in the fill ", "Time to tip off ", "Glass at tip-off ", // limits
		"Gas volume ", "Wall area", "Glass mass ", "Heat capacity", "Flushes needed ", "Gauge to stop at ", // facts
		"Rest on common practice, not checked against a published source: Preheat; Air",
		"WHY\n", "Below it much of the water stays in the wall of the tube.", "  source: ",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is not there", want)
		}
	}
	f, err := os.Open(picture)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := png.Decode(f); err != nil {
		t.Errorf("the picture: %v", err)
	}
	if _, brief, _ := limitsOf(t, "--brief", pier+"PP-03.toml"); strings.Contains(brief, "WHY") || strings.Contains(brief, "  source: ") || !strings.Contains(brief, "Heating band") {
		t.Errorf("brief: %s", brief)
	}
}

// A card with gaps gives the limits that can be known and says of the others why they
// cannot; a rehearsal needs them, and says which.
func TestLimitsOfACardWithGaps(t *testing.T) {
	text, err := os.ReadFile(pier + "PP-01.toml")
	if err != nil {
		t.Fatal(err)
	}
	for line, want := range map[string][]string{
		`length = "1.8 m"`:    {"Gas volume is not known. The card does not give the length.", "does not say length", "does not say length"},
		`wall = "1.1 mm"`:     {"Glass mass is not known. The card does not give the bore.", "does not say wall or bore", "does not say wall or bore"},
		`glass = "soda-lime"`: {"Glass mass is not known. The card does not give the glass.", "does not say glass", "does not say glass"},
		`rating = "60 mA"`:    {"what these electrodes stand is not known without their rating", "does not say electrode.rating", "does not give the electrodes' rating"},
	} {
		file := filepath.Join(t.TempDir(), "card.toml")
		gap := strings.Replace(string(text), line+"\n", "", 1)
		if gap == string(text) {
			t.Fatalf("the card has no %s", line)
		}
		if err := os.WriteFile(file, []byte(gap), 0o600); err != nil {
			t.Fatal(err)
		}
		code, out, errs := limitsOf(t, "--bench", pier+"bench.toml", "--constants", "none", file)
		out = strings.Join(strings.Fields(out), " ")
		if code != 0 || errs != "" || strings.Contains(out, "NaN") || !strings.Contains(out, "Glass ceiling at most 260 °C") {
			t.Errorf("without %s: code %d: %s\n%s", line, code, errs, out)
		}
		if !strings.Contains(out, want[0]) || !strings.Contains(out, want[1]) {
			t.Errorf("without %s: neither %q in\n%s", line, want, out)
		}
		var to, bad bytes.Buffer
		code = run(context.Background(), []string{"rehearse", "--constants", "none", "--picture", filepath.Join(t.TempDir(), "x.svg"), file}, &to, &bad)
		if code != 2 || !strings.Contains(bad.String(), "no run can be predicted: too little is known: ") || !strings.Contains(bad.String(), want[2]) {
			t.Errorf("rehearsal without %s: code %d: %s", line, code, bad.String())
		}
	}
}

// A bench's own tables count and are named as such; a mistake in them is told
// with file, line, key, what was found and what is allowed, and exit code 2.
func TestLimitsOfOwnTables(t *testing.T) {
	text, err := os.ReadFile(pier + "bench.toml")
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "bench.toml")
	write := func(extra string) {
		if err := os.WriteFile(file, append(text, extra...), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("\n[[tables.practice]]\nkey = \"shell-time\"\nlow = \"55 s\"\nsource = \"our electrodes want it\"\n")
	code, out, errs := limitsOf(t, "--bench", file, pier+"PP-03.toml")
	if code != 0 || errs != "" || !strings.Contains(out, "at least 55 s") || !strings.Contains(out, "From the bench's own tables: Shell time.") ||
		!strings.Contains(out, "source: bench table: our electrodes want it") {
		t.Errorf("code %d: %s\n%s", code, errs, out)
	}
	write("\n[[tables.practice]]\nkey = \"shell-time\"\nlow = \"55 mm\"\nsource = \"our electrodes want it\"\n")
	code, out, errs = limitsOf(t, "--bench", file, pier+"PP-03.toml")
	want := `tables.practice.low: found "55 mm"; allowed: a time in s`
	if code != 2 || out != "" || !strings.Contains(errs, file+":") || !strings.Contains(errs, want) || strings.Count(errs, "\n") != 1 {
		t.Errorf("code %d: %q\n%s", code, errs, out)
	}
}
