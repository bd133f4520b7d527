package main

import (
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"strings"
	"testing"
)

// The rooms' import rules (DEVELOPERS.md, "Rooms"), each with its reason. All
// that match hold.
var rules = []struct {
	room    string
	mayNot  []string // prefixes of packages of this module
	except  []string
	because string
}{
	{"drivers", []string{"tipoff/calib", "tipoff/logger", "tipoff/cmd"}, nil, "a driver never converts and knows no logger"},
	{"calib", []string{"tipoff/drivers", "tipoff/logger", "tipoff/cmd"}, nil, "calib never reads hardware"},
	{"logger", []string{"tipoff/cmd", "tipoff/drivers/"}, []string{"tipoff/drivers/clock"}, "logger knows no chip"},
	{"deploy", []string{"tipoff/"}, nil, "deploy only carries files"},
	{"logger/frame", []string{"tipoff/logger/"}, nil, "frame is the lowest room"},
	{"logger/alarm", []string{"tipoff/logger/"}, nil, "alarm knows conditions, not what they mean"},
	{"logger/health", []string{"tipoff/logger/"}, nil, "health is data that all may read"},
}

// libraries are all that a room may import from outside the project.
var libraries = []struct {
	room string
	may  []string
}{
	{"drivers", []string{"periph.io/", "golang.org/x/sys/", "go.bug.st/serial"}},
	{"calib", []string{"gonum.org/v1/gonum/"}},
	{"calib/strict", []string{"gonum.org/v1/gonum/", "github.com/pelletier/go-toml/v2"}},
	{"deploy", nil},
}

func TestRoomsImport(t *testing.T) {
	cmd := exec.Command("go", "list", "-json=ImportPath,Imports", "tipoff/...")
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("listing packages: %v", err)
	}
	dec := json.NewDecoder(strings.NewReader(string(out)))
	seen := 0
	for {
		var p struct {
			ImportPath string
			Imports    []string
		}
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		seen++
		for _, r := range rules {
			if !within(p.ImportPath, "tipoff/"+r.room) {
				continue
			}
			for _, imp := range p.Imports {
				if matches(imp, r.mayNot) && !matches(imp, r.except) {
					t.Errorf("%s imports %s: %s", p.ImportPath, imp, r.because)
				}
			}
		}
		room := "" // the longest decides
		var may []string
		for _, l := range libraries {
			if within(p.ImportPath, "tipoff/"+l.room) && len(l.room) > len(room) {
				room, may = l.room, l.may
			}
		}
		for _, imp := range p.Imports {
			first, _, _ := strings.Cut(imp, "/")
			if room != "" && strings.Contains(first, ".") && !matches(imp, may) {
				t.Errorf("%s imports %s: %s may use no library but %q", p.ImportPath, imp, room, may)
			}
		}
	}
	if seen < 20 {
		t.Errorf("only %d packages listed", seen)
	}
}

func within(path, folder string) bool { return path == folder || strings.HasPrefix(path, folder+"/") }

func matches(path string, prefixes []string) bool {
	for _, p := range prefixes {
		if strings.HasPrefix(path, p) {
			return true
		}
	}
	return false
}
