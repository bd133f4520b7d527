package serialgauge

import (
	"regexp"
	"strings"
	"testing"
)

// same compares with package regexp, whose groups are the truth.
func same(t *testing.T, pattern, line string) {
	t.Helper()
	re, err := regexp.Compile(pattern)
	if err != nil || re.NumSubexp() < 1 || re.NumSubexp() > maxGroups {
		return
	}
	m, err := newMatcher(pattern)
	if err != nil {
		t.Fatalf("%q: %v", pattern, err)
	}
	at := re.FindStringSubmatchIndex(line)
	for range 2 { // its memory is used again
		if found := m.find([]byte(line)); found != (at != nil) {
			t.Fatalf("%q in %q: %v, package regexp finds %v", pattern, line, found, at)
		}
		for g := range re.NumSubexp() {
			want, part := "", at != nil && at[2*g+2] >= 0
			if part {
				want = line[at[2*g+2]:at[2*g+3]]
			}
			if at == nil {
				continue
			}
			if got := m.text([]byte(line), g); string(got) != want || (got != nil) != part {
				t.Fatalf("%q in %q: group %d is %q, package regexp finds %q (%v)", pattern, line, g, got, want, part)
			}
		}
	}
}

var matches = [][2]string{
	{`^0,([-+0-9.E]+)$`, "0,1.25E-3"}, {`^0,([-+0-9.E]+)$`, "1,1.25E-3"}, {`P ([0-9.]+) mbar`, "xP 1.5 mbar"},
	{`([-+]?[0-9]*\.?[0-9]+(?:[eE][-+]?[0-9]+)?)`, "noise -12.5e-3 Torr"}, {`(a|ab)(?:c|bcd)`, "abcd"},
	{`(a*?)b`, "aaab"}, {`(?:x|(y))+`, "xyx"}, {`(a*)*`, "b"}, {`(|a)*`, "aa"}, {`\b(µ.)\b`, "é µm"}, {`(?i)p=(\pN{2})`, "P=42"},
	{`(?s)(.)$`, "a\n"}, {`(?m)^(.*)$`, "a\nb"}, {`()`, ""}, {`(z)?`, "y"}, {`(a)|(b)`, "b"}, {`(?:(a)|(b))*`, "ab"}, {`^([0-9.]+)E?([-+][0-9]+)$`, "1.25-3"}, {`([^0-9])`, "1\xff2"}, {`(.)`, "\xff"},
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
