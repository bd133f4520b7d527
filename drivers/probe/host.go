package probe

import (
	"os"
	"os/user"
	"strconv"
	"syscall"

	"golang.org/x/sys/unix"

	"tipoff/drivers/clock"
	"tipoff/drivers/host"
)

// Host is the computer that the program runs on.
func Host() System {
	return System{Root: os.DirFS("/"), Ports: &host.Ports{}, Clock: clock.System{}, May: may, Lines: lines}
}

// may asks the kernel, without opening the file.
func may(path string) (group string, err error) {
	if info, err := os.Stat(path); err == nil {
		if st, ok := info.Sys().(*syscall.Stat_t); ok {
			group = strconv.Itoa(int(st.Gid))
			if g, err := user.LookupGroupId(group); err == nil {
				group = g.Name
			}
		}
	}
	if err := unix.Access(path, unix.R_OK|unix.W_OK); err != nil {
		return group, &os.PathError{Op: "access", Path: path, Err: err}
	}
	return group, nil
}

// lines asks a GPIO chip what lines it has. It takes none of them.
func lines(path string) (GPIOChip, error) {
	label, all, err := host.GPIOLines(path)
	c := GPIOChip{Path: path, Label: label, Lines: []Line{}}
	for i, l := range all {
		c.Lines = append(c.Lines, Line{Offset: i, Name: l.Name, By: l.By, Used: l.Used, Output: l.Output})
	}
	return c, err
}
