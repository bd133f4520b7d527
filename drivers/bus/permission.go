package bus

import (
	"fmt"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// ruled are the groups that deploy/udev/60-tipoff.rules gives device files to, by
// how their names begin.
var ruled = map[string]string{"i2c-": "i2c", "spidev": "spi", "gpiochip": "gpio"}

// PermissionHint names the group that may open the file.
func PermissionHint(path string) string {
	info, err := os.Stat(path)
	if err != nil {
		return "the user that tipoff runs as may not open it"
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return "the user that tipoff runs as may not open it"
	}
	group := strconv.Itoa(int(st.Gid))
	if g, err := user.LookupGroupId(group); err == nil {
		group = g.Name
	}
	if info.Mode().Perm()&0o060 != 0o060 || st.Gid == 0 {
		for start, group := range ruled {
			if strings.HasPrefix(filepath.Base(path), start) {
				return fmt.Sprintf("install deploy/udev/60-tipoff.rules, which gives the file to group %s, and put the user that tipoff runs as in that group", group)
			}
		}
		return fmt.Sprintf("the file belongs to group %s with mode %v: a udev rule has to open it to a group that tipoff's user is in", group, info.Mode().Perm())
	}
	return fmt.Sprintf("the user that tipoff runs as must be in group %s, which owns the device file", group)
}
