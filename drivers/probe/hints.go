package probe

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"syscall"

	"tipoff/drivers/bus"
)

// refused explains why the device file at path can not be opened, as a problem
// with what to do about it. kind is "i2c", "spi", "gpio", "audio" or "dialout",
// which is also the group's usual name.
func (l *look) refused(path, kind string, err error) string {
	errno := bus.Errno(err)
	switch {
	case errno == syscall.EACCES, errno == syscall.EPERM, errors.Is(err, fs.ErrPermission):
		group, _ := l.May(path)
		l.problem(path, "this user may not open it", joinHint(group, kind))
		return "this user may not open it"
	case errno == syscall.EBUSY:
		l.problem(path, "another program holds it", "end that program (the logger itself: systemctl stop tipoff) and look again")
		return "another program holds it"
	}
	l.problem(path, "it can not be opened: "+err.Error(), "")
	return "it can not be opened"
}

// joinHint says how to get at a device file of a group.
func joinHint(group, kind string) string {
	rule := ""
	if group == "" || group == "root" {
		group = kind
		if kind == "i2c" || kind == "spi" || kind == "gpio" {
			rule = "install deploy/udev/60-tipoff.rules, which gives the file to group " + kind + "; then "
		}
	}
	return fmt.Sprintf("%sjoin the group %s: sudo usermod -aG %s $USER, and log in anew", rule, group, group)
}

// configTxt are the places of the firmware's settings, newest first.
var configTxt = []string{"boot/firmware/config.txt", "boot/config.txt"}

// setting says how to switch a bus on: the line of config.txt on boards that
// have it. keys are the names that the setting goes by, the usual one first.
func (l *look) setting(keys ...string) (file string, on bool) {
	for _, file := range configTxt {
		if !l.exists(file) {
			continue
		}
		for line := range strings.Lines(l.text(file)) {
			rest, ok := strings.CutPrefix(strings.TrimSpace(line), "dtparam=")
			if !ok {
				continue
			}
			for part := range strings.SplitSeq(rest, ",") {
				key, value, _ := strings.Cut(strings.TrimSpace(part), "=")
				if slices.Contains(keys, key) {
					on = value != "off" && value != "false" && value != "0"
				}
			}
		}
		return "/" + file, on
	}
	return "", false
}

// noI2C explains why there is no bus.
func (l *look) noI2C() {
	const where = "I²C"
	const module = "load the module: sudo modprobe i2c-dev, and write i2c-dev into /etc/modules-load.d/i2c.conf so that it stays"
	file, on := l.setting("i2c_arm", "i2c")
	switch {
	case len(l.glob("sys/bus/i2c/devices/i2c-*")) > 0:
		l.problem(where, "the kernel has I²C buses, but no device files /dev/i2c-*", module)
	case file != "" && !on:
		l.problem(where, "the bus is switched off", fmt.Sprintf("write dtparam=i2c_arm=on into %s and restart the board; also %s", file, module))
	case file != "":
		l.problem(where, "there is no /dev/i2c-*, though dtparam=i2c_arm=on is in "+file, "restart the board if it was written just now; "+module)
	default:
		l.problem(where, "this computer has no I²C bus", "switch it on in the board's firmware or device-tree settings, if it has one; "+module)
	}
}

// noSPI explains why there is no port.
func (l *look) noSPI() {
	const where = "SPI"
	file, on := l.setting("spi")
	switch {
	case file != "" && !on:
		l.problem(where, "the bus is switched off", fmt.Sprintf("write dtparam=spi=on into %s and restart the board", file))
	case len(l.glob("sys/class/spi_master/spi*")) > 0:
		l.problem(where, "the kernel has SPI buses, but no device files /dev/spidev*",
			"the board's device tree has to name a spidev on the chip select; on many boards an overlay does")
	case file != "":
		l.problem(where, "there is no /dev/spidev*, though dtparam=spi=on is in "+file, "restart the board if it was written just now")
	default:
		l.problem(where, "this computer has no SPI port", "switch it on in the board's firmware or device-tree settings, if it has one")
	}
}

// sortNatural sorts names so that i2c-2 comes before i2c-10.
func sortNatural(names []string) {
	slices.SortFunc(names, func(a, b string) int { return compareNatural(a, b) })
}

func compareNatural(a, b string) int {
	digit := func(c byte) bool { return c >= '0' && c <= '9' }
	for a != "" && b != "" {
		if !digit(a[0]) || !digit(b[0]) {
			if a[0] != b[0] {
				return cmp.Compare(a[0], b[0])
			}
			a, b = a[1:], b[1:]
			continue
		}
		i, k := 0, 0
		for i < len(a) && digit(a[i]) {
			i++
		}
		for k < len(b) && digit(b[k]) {
			k++
		}
		x, y := strings.TrimLeft(a[:i], "0"), strings.TrimLeft(b[:k], "0")
		if c := cmp.Or(cmp.Compare(len(x), len(y)), strings.Compare(x, y)); c != 0 {
			return c
		}
		a, b = a[i:], b[k:]
	}
	return cmp.Compare(len(a), len(b))
}
