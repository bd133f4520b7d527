package clock

import "os"

// hasRTC tells whether the board has a battery-backed clock the kernel set the
// time from at boot (/sys/class/rtc/rtcN/hctosys reads 1). Without one an
// undisciplined wall clock is a guess.
func hasRTC() bool {
	for _, p := range [...]string{"/sys/class/rtc/rtc0/hctosys", "/sys/class/rtc/rtc1/hctosys"} {
		if b, err := os.ReadFile(p); err == nil && len(b) > 0 && b[0] == '1' {
			return true
		}
	}
	return false
}
