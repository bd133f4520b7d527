package serialgauge

import (
	"regexp"
	"strings"
	"testing"
)

// same compares with package regexp, whose group is the truth.
func same(t *testing.T, pattern, line string) {
	t.Helper()
	re, err := regexp.Compile(pattern)
	if err != nil || re.NumSubexp() != 1 {
		return
	}
	m, err := newMatcher(pattern)
	if err != nil {
		t.Fatalf("%q: %v", pattern, err)
	}
	want, found := "", false
	if at := re.FindStringSubmatchIndex(line); at != nil && at[2] >= 0 {
		want, found = line[at[2]:at[3]], true
	}
	for range 2 { // its memory is used again
		if got := m.find([]byte(line)); string(got) != want || (got != nil) != found {
			t.Fatalf("%q in %q: %q, package regexp finds %q (%v)", pattern, line, got, want, found)
		}
	}
}

var matches = [][2]string{
	{`^0,([-+0-9.E]+)$`, "0,1.25E-3"}, {`^0,([-+0-9.E]+)$`, "1,1.25E-3"}, {`P ([0-9.]+) mbar`, "xP 1.5 mbar"},
	{`([-+]?[0-9]*\.?[0-9]+(?:[eE][-+]?[0-9]+)?)`, "noise -12.5e-3 Torr"}, {`(a|ab)(?:c|bcd)`, "abcd"},
	{`(a*?)b`, "aaab"}, {`(?:x|(y))+`, "xyx"}, {`(a*)*`, "b"}, {`(|a)*`, "aa"}, {`\b(µ.)\b`, "é µm"}, {`(?i)p=(\pN{2})`, "P=42"},
	{`(?s)(.)$`, "a\n"}, {`(?m)^(.*)$`, "a\nb"}, {`()`, ""}, {`(z)?`, "y"}, {`([^0-9])`, "1\xff2"}, {`(.)`, "\xff"},
}

func TestMatcher(t *testing.T) {
	for _, m := range matches {
		same(t, m[0], m[1])
	}
	// What would take for ever with plain backtracking.
	same(t, `((?:a|aa)*)b`, strings.Repeat("a", maxLine))
}

func FuzzMatcher(f *testing.F) {
	for _, m := range matches {
		f.Add(m[0], m[1])
	}
	f.Fuzz(func(t *testing.T, pattern, line string) {
		if len(pattern) <= 64 && len(line) <= maxLine {
			same(t, pattern, line)
		}
	})
}
