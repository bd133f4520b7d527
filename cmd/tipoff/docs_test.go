package main

import (
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"

	"tipoff/drivers/registry"
	"tipoff/logger/config"
)

const referencePage = "../../deploy/docs/configuration.md"

// The configuration reference is written by the code that reads the
// configuration, so that the two cannot differ. TIPOFF_WRITE_DOCS=1 writes it.
func TestConfigurationReference(t *testing.T) {
	want := reference()
	if os.Getenv("TIPOFF_WRITE_DOCS") != "" {
		if err := os.WriteFile(referencePage, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(referencePage)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != want {
		t.Error("deploy/docs/configuration.md is out of date: TIPOFF_WRITE_DOCS=1 go test ./cmd/tipoff writes it")
	}
}

// reference is the page: what config says of bench.toml, and the keys that each
// driver adds.
func reference() string {
	var b strings.Builder
	b.WriteString("# Configuration reference\n\nWritten by the code that reads bench.toml; do not edit. An example with comments is\n" +
		"[the demo's](../petrel-pier/bench.toml), wired as in [the wiring guide](wiring.md). Quantities are written\n" +
		"with their unit, as text: `\"15 mm\"`, `\"9 Torr\"`.\n\n")
	b.WriteString(strings.TrimSpace(config.Reference()))
	b.WriteString("\n\n## Drivers\n\nA channel names its driver and may set the driver's own keys.\n")
	for _, d := range registry.All() {
		fmt.Fprintf(&b, "\n### `%s`\n\n%s", d.Name, d.Summary)
		if len(d.Inputs) > 1 {
			fmt.Fprintf(&b, " Inputs: `%s`.", strings.Join(d.Inputs, "`, `"))
		}
		if d.DefaultAddress != "" {
			fmt.Fprintf(&b, " Address: `%s` unless `address` says otherwise.", d.DefaultAddress)
		}
		b.WriteString("\n")
		if len(d.Options) == 0 {
			continue
		}
		b.WriteString("\n| key | allowed | default | meaning |\n|---|---|---|---|\n")
		for _, o := range d.Options {
			fmt.Fprintf(&b, "| `%s` | %s | %s | %s |\n", o.Key, o.Allowed, o.Default, o.Doc)
		}
	}
	return b.String()
}

// Every verb is in README's table, and every verb there exists.
func TestReadmeNamesVerbs(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range verbs() {
		if v.name != "version" && !strings.Contains(string(text), "| `tipoff "+v.name) {
			t.Errorf("README's table lacks the verb %s", v.name)
		}
	}
	for _, m := range regexp.MustCompile("(?m)^\\| `tipoff ([a-z]+)").FindAllStringSubmatch(string(text), -1) {
		found := false
		for _, v := range verbs() {
			found = found || v.name == m[1]
		}
		if !found {
			t.Errorf("README names a verb %s that there is not", m[1])
		}
	}
}
