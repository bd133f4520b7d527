package emulated

import (
	"syscall"
	"testing"
	"time"

	"tipoff/drivers/clock"
)

// mcp reads a register of n bytes.
func mcp(t *testing.T, m *MCP9600, reg byte, n int) uint32 {
	t.Helper()
	r := make([]byte, n)
	if err := m.Tx([]byte{reg}, r); err != nil {
		t.Errorf("register %02X: %v", reg, err)
	}
	v := uint32(0)
	for _, b := range r {
		v = v<<8 | uint32(b)
	}
	return v
}

// Registers of DS20005426C (chips.md section 4): codes by its rule, TH = delta +
// TC, the ID of the first release, flags cleared by writing 0 only.
func TestMCP9600(t *testing.T) {
	on(func(c *clock.Virtual) {
		m := NewMCP9600(c)
		m.Hot = constant(250)
		if id := mcp(t, m, mcpID, 2); id != 0x4010 {
			t.Errorf("ID %04X", id)
		}
		if s := mcp(t, m, mcpStatus, 1); s != 0 {
			t.Errorf("status after power-up %02X", s)
		}
		sleep(c, 340*time.Millisecond)
		if s := mcp(t, m, mcpStatus, 1); s != 0x40 {
			t.Errorf("status after a conversion %02X", s)
		}
		for reg, want := range map[byte]uint32{mcpHot: 0x0FA0, mcpCold: 0x0190, mcpDelta: 0x0E10} {
			if v := mcp(t, m, reg, 2); v != want {
				t.Errorf("register %02X: %04X, want %04X", reg, v, want)
			}
		}
		// NIST type K: 250 °C 10.153 mV, 25 °C 1.000 mV, in steps of 2 µV.
		if v := mcp(t, m, mcpRaw, 3); v < 4575 || v > 4578 {
			t.Errorf("raw %d", v)
		}
		if err := m.Tx([]byte{mcpStatus, 0x40}, nil); err != nil || mcp(t, m, mcpStatus, 1) != 0x40 {
			t.Errorf("flag cleared by writing 1: %v", err)
		}
		if err := m.Tx([]byte{mcpStatus, 0}, nil); err != nil || mcp(t, m, mcpStatus, 1) != 0 {
			t.Errorf("flag not cleared by writing 0: %v", err)
		}
		_ = m.Tx([]byte{mcpAlert + 1, 0x05}, nil)
		_ = m.Tx([]byte{mcpLimit + 2, 0x12, 0x34}, nil)
		_ = m.Tx([]byte{mcpSensor, 0xFF}, nil)
		if a, l, s := mcp(t, m, mcpAlert+1, 1), mcp(t, m, mcpLimit+2, 2), mcp(t, m, mcpSensor, 1); a != 5 || l != 0x1234 || s != 0x77 {
			t.Errorf("alert %02X, limit %04X, sensor %02X", a, l, s)
		}
		m.LoseConfig()
		if a, s := mcp(t, m, mcpAlert+1, 1), mcp(t, m, mcpSensor, 1); a != 0 || s != 0 {
			t.Errorf("after power-up: alert %02X, sensor %02X", a, s)
		}
	})
}

// A burst of eight conversions of 5 + 12 ms ends in shutdown with its flag set.
func TestMCP9600Burst(t *testing.T) {
	on(func(c *clock.Virtual) {
		m := NewMCP9600(c)
		_ = m.Tx([]byte{mcpDevice, 3<<5 | 3<<2 | 2}, nil)
		sleep(c, 8*17*time.Millisecond-time.Millisecond)
		if s := mcp(t, m, mcpStatus, 1); s != 0x40 {
			t.Errorf("before the end: status %02X", s)
		}
		sleep(c, time.Millisecond)
		if s, d := mcp(t, m, mcpStatus, 1), mcp(t, m, mcpDevice, 1); s != 0xC0 || d&3 != 1 {
			t.Errorf("at the end: status %02X, device %02X", s, d)
		}
		_ = m.Tx([]byte{mcpStatus, 0}, nil)
		sleep(c, time.Second)
		if s := mcp(t, m, mcpStatus, 1); s != 0 {
			t.Errorf("asleep: status %02X", s)
		}
	})
}

// The filter's step response: k = 2/(2^n + 1), so n = 2 takes 40 % of a step.
func TestMCP9600Filter(t *testing.T) {
	on(func(c *clock.Virtual) {
		m := NewMCP9600(c)
		m.Hot = func(at time.Duration) float64 {
			if at < time.Second {
				return 0
			}
			return 100
		}
		_ = m.Tx([]byte{mcpSensor, 2}, nil)
		sleep(c, 3*332*time.Millisecond) // the third at 996 ms
		if v := mcp(t, m, mcpHot, 2); v != 0 {
			t.Errorf("before the step: %04X", v)
		}
		sleep(c, 332*time.Millisecond)
		if v := mcp(t, m, mcpHot, 2); v != 640 {
			t.Errorf("after one: %d/16 °C, want 40 °C", v)
		}
		sleep(c, 332*time.Millisecond)
		if v := mcp(t, m, mcpHot, 2); v != 1024 {
			t.Errorf("after two: %d/16 °C, want 64 °C", v)
		}
	})
}

func TestMCP9600Faults(t *testing.T) {
	on(func(c *clock.Virtual) {
		for _, is9601 := range []bool{false, true} {
			m, want := NewMCP9600(c), uint32(0x40)
			if is9601 {
				m, want = NewMCP9601(c), 0x50
			}
			m.Hot = constant(500)
			m.SetOpen(true)
			sleep(c, 340*time.Millisecond)
			if s, v := mcp(t, m, mcpStatus, 1), mcp(t, m, mcpHot, 2); s != want || v != 0x0190 {
				t.Errorf("open, MCP9601 %v: status %02X, hot %04X", is9601, s, v)
			}
			m.SetOpen(false)
			m.SetFreeze(true)
			_ = m.Tx([]byte{mcpStatus, 0}, nil)
			sleep(c, time.Second)
			if s, v := mcp(t, m, mcpStatus, 1), mcp(t, m, mcpHot, 2); s&0x40 != 0 || v != 0x0190 {
				t.Errorf("frozen: status %02X, hot %04X", s, v)
			}
			m.SetAbsent(true)
			if err := m.Tx([]byte{0}, make([]byte, 2)); err != syscall.EREMOTEIO {
				t.Errorf("absent: %v", err)
			}
		}
	})
}
