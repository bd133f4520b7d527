package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"tipoff/drivers/registry"
	"tipoff/logger/config"
)

// What a snippet of bench.toml in the guides leaves out.
const (
	snippetHead = "[bench]\nname = \"b\"\nmains = \"50 Hz\"\nmanifold_volume = \"1 L\"\nmax_current = \"1 A\"\n[store]\ndirectory = \"/x\"\n"
	// snippetGauge goes with a snippet that has no channel.
	snippetGauge = "[[channel]]\nname = \"g\"\nrole = \"pressure\"\ndriver = \"ads1115\"\nbus = \"/dev/i2c-1\"\ninput = \"ain0\"\n" +
		"[channel.calibration]\nkind = \"log-linear\"\nvolts_at = \"5 V\"\npressure_at = \"1 Torr\"\nslope = \"1 V/decade\"\n"
)

var tomlSnippet = regexp.MustCompile("(?s)```toml\n(.*?)```")

// Every piece of bench.toml in the guides is one that tipoff takes, and every
// driver has one.
func TestSnippets(t *testing.T) {
	pages, err := filepath.Glob("../../deploy/docs/*.md")
	if err != nil {
		t.Fatal(err)
	}
	shown := map[string]bool{}
	found := 0
	for _, page := range pages {
		text, err := os.ReadFile(page)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range tomlSnippet.FindAllStringSubmatch(string(text), -1) {
			snippet := m[1]
			channel := strings.Contains(snippet, "[[channel]]")
			if !channel && !strings.Contains(snippet, "[sounder]") {
				continue
			}
			found++
			bench := snippet
			if !strings.Contains(snippet, "[bench]") {
				bench = snippetHead + snippet
			}
			if !channel {
				bench += snippetGauge
			}
			name := filepath.Base(page)
			cfg, err := config.Parse(name, []byte(bench), registry.All())
			if err != nil {
				t.Errorf("%s: %v in\n%s", name, err, snippet)
				continue
			}
			if channel {
				for _, c := range cfg.Channels {
					shown[c.Driver] = true
				}
			}
		}
	}
	if found < 12 {
		t.Errorf("only %d snippets found", found)
	}
	for _, d := range registry.All() {
		if !shown[d.Name] {
			t.Errorf("no guide shows how to write a channel of driver %s", d.Name)
		}
	}
}
