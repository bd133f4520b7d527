package modbus

import (
	"testing"

	"tipoff/drivers"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/serialport"
)

// Frames as others have published them: the example of V1.1b3 section 6.4 (one
// input register at 8, which holds 10) from unit 11h with the check sums B298h and
// F8F4h that many libraries' tests have for it; once to find the device, once to
// read it.
func TestPlaybackRTU(t *testing.T) {
	x := drivertest.Exchange{Ask: unhex(t, "11 04 0008 0001 B298"), Answer: unhex(t, "11 04 02 000A F8F4")}
	got := drivertest.PlayLine(t, RTUOver, config("17", channel("", "register", "8", "function", "input", "baud", "19200", "parity", "even")),
		serialport.Mode{Baud: 19200, DataBits: 8, Parity: 'E', StopBits: 1}, []drivertest.Exchange{x, x}, 1)
	check(t, got, 10)
}

// The example of the TCP guide V1.0b (from memory): register 4 of unit FFh holds
// 5. Our transactions are numbered from 1 where it has 1501h.
func TestPlaybackTCP(t *testing.T) {
	cfg := config("255", channel("", "register", "4"))
	cfg.Bus = "192.0.2.7:502"
	got := drivertest.PlayLine(t, TCPOver, cfg, serialport.Mode{}, []drivertest.Exchange{
		{Ask: unhex(t, "0001 0000 0006 FF 03 0004 0001"), Answer: unhex(t, "0001 0000 0005 FF 03 02 0005")},
		{Ask: unhex(t, "0002 0000 0006 FF 03 0004 0001"), Answer: unhex(t, "0002 0000 0005 FF 03 02 0005")},
	}, 1)
	check(t, got, 5)
}

func check(t *testing.T, got []drivers.Sample, want float64) {
	t.Helper()
	if len(got) != 1 || got[0].Raw != want || got[0].Fault != 0 {
		t.Errorf("%+v, want %v", got, want)
	}
}
