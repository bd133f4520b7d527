package bus

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A device file that no group may open gets the name of the group that the rules in
// deploy/udev give it to.
func TestPermissionHintNamesTheRulesGroup(t *testing.T) {
	rules, err := os.ReadFile("../../deploy/udev/60-tipoff.rules")
	if err != nil {
		t.Fatal(err)
	}
	for file, group := range map[string]string{"i2c-1": "i2c", "spidev0.0": "spi", "gpiochip0": "gpio"} {
		path := filepath.Join(t.TempDir(), file)
		if err := os.WriteFile(path, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if h := PermissionHint(path); !strings.Contains(h, "group "+group+",") || !strings.Contains(h, "60-tipoff.rules") {
			t.Errorf("%s: %q", file, h)
		}
		if !strings.Contains(string(rules), `GROUP="`+group+`"`) {
			t.Errorf("the rules do not give %s to group %s", file, group)
		}
	}
	other := filepath.Join(t.TempDir(), "iio:device0")
	if err := os.WriteFile(other, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if h := PermissionHint(other); !strings.Contains(h, "a udev rule has to open it") {
		t.Errorf("%q", h)
	}
}
