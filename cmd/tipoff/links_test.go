package main

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode"
)

var (
	link    = regexp.MustCompile(`\]\(([^)\s]*)\)|<(https?://[^>]*)>`)
	heading = regexp.MustCompile(`(?m)^#{1,6} +(.*?) *#*$`)
	inCode  = regexp.MustCompile("(?s)```.*?```")
)

// Every link of README, DEVELOPERS and the guides leads to a file that is there and,
// with a #, to one of its headings; every guide and every picture is linked to.
func TestLinks(t *testing.T) {
	pages := []string{"README.md", "DEVELOPERS.md"}
	for _, pattern := range []string{"deploy/docs/*.md", "testdata/*/*.md"} {
		more, err := filepath.Glob("../../" + pattern)
		if err != nil {
			t.Fatal(err)
		}
		for _, page := range more {
			page, err := filepath.Rel("../..", page)
			if err != nil {
				t.Fatal(err)
			}
			if !slices.Contains(pages, page) {
				pages = append(pages, page)
			}
		}
	}
	linked := map[string]bool{}
	anchors, links := 0, 0
	for _, page := range pages {
		for _, m := range link.FindAllStringSubmatch(prose(t, page), -1) {
			if m[2] != "" || strings.Contains(m[1], "://") {
				continue // the network's
			}
			links++
			file, anchor, has := strings.Cut(m[1], "#")
			to := page
			if file != "" {
				to = filepath.Join(filepath.Dir(page), file)
			}
			linked[to] = true
			if _, err := os.Stat(filepath.Join("../..", to)); err != nil {
				t.Errorf("%s: link to %s: %v", page, m[1], err)
			} else if has {
				anchors++
				if !slices.Contains(headings(t, to), anchor) {
					t.Errorf("%s: link to %s: %s has no such heading", page, m[1], to)
				}
			}
		}
	}
	if links < 80 || anchors < 4 {
		t.Errorf("only %d links found, %d of them to headings", links, anchors)
	}
	all, err := filepath.Glob("../../deploy/docs/*")
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range all {
		if file := strings.TrimPrefix(file, "../../"); !linked[file] {
			t.Errorf("nothing leads to %s", file)
		}
	}
}

// prose is a page without its pieces of code, where brackets are not links.
func prose(t *testing.T, page string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("../..", page))
	if err != nil {
		t.Fatal(err)
	}
	return inCode.ReplaceAllString(string(text), "")
}

// headings are a page's headings as anchors, by the rule of the hosts that show
// Markdown: lower case, spaces to hyphens, other signs left out.
func headings(t *testing.T, page string) (all []string) {
	t.Helper()
	for _, m := range heading.FindAllStringSubmatch(prose(t, page), -1) {
		all = append(all, strings.Map(func(r rune) rune {
			switch {
			case r == ' ':
				return '-'
			case r == '-' || r == '_' || unicode.IsLetter(r) || unicode.IsDigit(r):
				return unicode.ToLower(r)
			}
			return -1
		}, m[1]))
	}
	return all
}

// Every room of calib and logger is in the table of DEVELOPERS.md.
func TestRoomsAreNamed(t *testing.T) {
	text, found := prose(t, "DEVELOPERS.md"), 0
	for _, floor := range []string{"calib", "logger"} {
		sources, err := filepath.Glob(filepath.Join("../..", floor, "*", "*.go"))
		if err != nil {
			t.Fatal(err)
		}
		rooms := map[string]bool{}
		for _, file := range sources {
			rooms[filepath.Base(filepath.Dir(file))] = true
		}
		for room := range rooms {
			found++
			if !strings.Contains(text, "`"+room+"`") && !strings.Contains(text, "`"+floor+"/"+room+"`") {
				t.Errorf("DEVELOPERS.md does not name %s/%s", floor, room)
			}
		}
	}
	if found < 30 {
		t.Errorf("only %d rooms found", found)
	}
}
