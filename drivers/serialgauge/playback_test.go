package serialgauge

import (
	"testing"

	"tipoff/drivers"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/serialport"
)

// The exchange of a widespread kind of gauge controller: it acknowledges the
// question (ACK, 06h), and sends status and value after an ENQ (05h). The line
// "0,8.3400E-03" is the example that programs for such controllers quote from
// their manual (found in public source code; the manual itself was not seen). Here
// both are sent at once.
func TestPlaybackAsked(t *testing.T) {
	x := drivertest.Exchange{Ask: []byte("PR1\r\n\x05"), Answer: []byte("\x06\r\n0,8.3400E-03\r\n")}
	got := drivertest.PlayLine(t, Over, config("query", `PR1\r\n\x05`, "pattern", `^0,([-+0-9.E]+)$`, "unit", "mbar", "baud", "19200"),
		serialport.Mode{Baud: 19200, DataBits: 8, Parity: 'N', StopBits: 1}, []drivertest.Exchange{x, x, x}, 3)
	check(t, got, 8.34e-3, 8.34e-3, 8.34e-3)
}

// A free-running instrument of the marine standard NMEA 0183, sentence XDR (a
// transducer's pressure in bar; from memory), at the standard's 4800 8N1. The port
// is opened in the middle of a sentence.
func TestPlaybackFreeRunning(t *testing.T) {
	sentence := func(s string) drivertest.Exchange { return drivertest.Exchange{Answer: []byte(s)} }
	got := drivertest.PlayLine(t, Over, config("pattern", `^\$WIXDR,P,([0-9.]+),B,[^*]*\*[0-9A-F]{2}$`, "unit", "bar", "baud", "4800"),
		serialport.Mode{Baud: 4800, DataBits: 8, Parity: 'N', StopBits: 1}, []drivertest.Exchange{
			sentence("0213,B,Barometer*2C\r\n$WIXDR,P,1.0"),
			sentence("2481,B,Barometer*29\r\n$WIMWV,,R,,N,A*00\r\n"),
			sentence("$WIXDR,P,1.02479,B,Barometer*2E\r\n"),
		}, 2)
	check(t, got, 1.02481, 1.02479)
}

func check(t *testing.T, got []drivers.Sample, want ...float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%+v, want %v", got, want)
	}
	for i, s := range got {
		if s.Raw != want[i] || s.Fault != 0 {
			t.Errorf("%d: %+v, want %v", i, s, want[i])
		}
	}
}
