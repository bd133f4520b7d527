package probe

import (
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"
)

// gpio lists the GPIO lines.
func (l *look) gpio() {
	chips := l.glob("dev/gpiochip[0-9]*")
	if len(chips) == 0 {
		l.problem("GPIO", "this computer offers no GPIO lines (/dev/gpiochip*)", "a buzzer or lamp on a line needs a board that has them; a loudspeaker does not")
	}
	for _, p := range chips {
		name := "/" + p
		// Some boards give one chip two names.
		if to, err := fs.ReadLink(l.Root, p); err == nil && slices.ContainsFunc(chips, func(o string) bool { return path.Base(o) == path.Base(to) }) {
			continue
		}
		chip, err := l.Lines(name)
		if err != nil {
			l.refused(name, "gpio", err)
			continue
		}
		chip.Path = name
		l.report.GPIO = append(l.report.GPIO, chip)
	}
}

// pwm lists the PWM outputs. Boards seldom have more than a few.
func (l *look) pwm() {
	for _, dir := range l.glob("sys/class/pwm/pwmchip[0-9]*") {
		n, err := strconv.Atoi(l.text(dir + "/npwm"))
		if err != nil || n < 1 {
			continue
		}
		c := PWMChip{Name: path.Base(dir), Outputs: []string{}}
		for i := range min(n, 64) {
			c.Outputs = append(c.Outputs, fmt.Sprintf("%s/pwm%d", c.Name, i))
		}
		l.report.PWM = append(l.report.PWM, c)
	}
}

// sound lists the devices that play (Linux sound/core/pcm.c: card-device, id,
// name, streams).
func (l *look) sound() {
	refused := false
	for line := range strings.Lines(l.text("proc/asound/pcm")) {
		f := strings.Split(line, ":")
		card, dev, ok := strings.Cut(strings.TrimSpace(f[0]), "-")
		if !ok || len(f) < 3 || !strings.Contains(line, "playback") {
			continue
		}
		path := "/dev/snd/pcmC" + trimZeros(card) + "D" + trimZeros(dev) + "p"
		l.report.Sound = append(l.report.Sound, SoundDevice{Path: path, Name: strings.TrimSpace(f[2])})
		if _, err := l.May(path); err != nil && !refused {
			refused = true // one is enough to tell
			l.refused(path, "audio", err)
		}
	}
	if len(l.report.Sound) == 0 {
		l.problem("sound", "there is no sound device that plays", "for a loudspeaker: plug a USB sound stick in, or switch the board's own on (dtparam=audio=on in config.txt on boards that have it)")
	}
}

func trimZeros(s string) string {
	if t := strings.TrimLeft(s, "0"); t != "" {
		return t
	}
	return "0"
}

// serial lists the serial ports, by the name that stays the same if there is
// one. Nothing is opened: that alone resets some instruments.
func (l *look) serial() {
	lasting := map[string]string{}
	for _, p := range l.glob("dev/serial/by-id/*") {
		if to, err := fs.ReadLink(l.Root, p); err == nil {
			lasting[path.Base(to)] = "/" + p
		}
	}
	var consoles []string
	for line := range strings.Lines(l.text("proc/consoles")) {
		if f := strings.Fields(line); len(f) > 0 {
			consoles = append(consoles, f[0])
		}
	}
	refused := false
	for _, pattern := range []string{"ttyUSB[0-9]*", "ttyACM[0-9]*", "ttyAMA[0-9]*", "ttyS[0-9]*"} {
		for _, p := range l.glob("dev/" + pattern) {
			tty := path.Base(p)
			// The kernel keeps names of ports that have no hardware: type 0.
			if strings.HasPrefix(tty, "ttyS") && l.text("sys/class/tty/"+tty+"/type") == "0" {
				continue
			}
			port := SerialPort{Path: "/" + p, Also: "/" + p}
			if by, ok := lasting[tty]; ok {
				port.Path = by
			}
			if slices.Contains(consoles, tty) {
				port.Use = "the kernel's console is there: no gauge can be"
			}
			l.report.Serial = append(l.report.Serial, port)
			if _, err := l.May("/" + p); err != nil && !refused && port.Use == "" {
				refused = true
				l.refused("/"+p, "dialout", err)
			}
		}
	}
}
