package modbus

import (
	"bytes"
	"encoding/hex"
	"errors"
	"math"
	"strings"
	"testing"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Checksums that others have published: the example 02 07 of MODBUS over Serial
// Line V1.02 appendix B, sent as 41 12; the check value of the CRC catalogue
// (CRC-16/MODBUS of "123456789" is 4B37h); a frame that many meters' manuals
// print (common practice). All from memory.
func TestCRC(t *testing.T) {
	for _, row := range []struct {
		b    []byte
		want uint16
	}{
		{[]byte{0x02, 0x07}, 0x1241},
		{[]byte("123456789"), 0x4B37},
		{unhex(t, "01 03 00 00 00 0A"), 0xCDC5},
		{unhex(t, "11 03 00 6B 00 03"), 0x8776}, // 76 87 in many libraries' tests
		{nil, 0xFFFF},
	} {
		if got := crc(row.b); got != row.want {
			t.Errorf("% X: %04X, want %04X", row.b, got, row.want)
		}
	}
}

// The examples of V1.1b3 sections 6.3 and 6.4 and of the TCP guide V1.0b
// (function 3, register 4, unit FFh), all from memory.
var examples = []struct {
	name       string
	request    request
	ask, reply string // PDUs
	data       string
}{
	{"6.3 read holding registers", request{17, 3, 0x6B, 3}, "03 006B 0003", "03 06 022B 0000 0064", "022B 0000 0064"},
	{"6.4 read input registers", request{1, 4, 8, 1}, "04 0008 0001", "04 02 000A", "000A"},
	{"TCP guide", request{0xFF, 3, 4, 1}, "03 0004 0001", "03 02 0005", "0005"},
}

// rtu frames a PDU with the checksum low byte first.
func rtu(unit byte, pdu []byte) []byte {
	b := append([]byte{unit}, pdu...)
	c := crc(b)
	return append(b, byte(c), byte(c>>8))
}

func tcp(id uint16, unit byte, pdu []byte) []byte {
	return append([]byte{byte(id >> 8), byte(id), 0, 0, 0, byte(1 + len(pdu)), unit}, pdu...)
}

func TestExamples(t *testing.T) {
	for _, x := range examples {
		ask, reply, data := unhex(t, x.ask), unhex(t, x.reply), unhex(t, x.data)
		if got, want := x.request.appendRTU(nil), rtu(x.request.unit, ask); !bytes.Equal(got, want) {
			t.Errorf("%s: RTU request % X, want % X", x.name, got, want)
		}
		if got, want := x.request.appendTCP(nil, 0x1501), tcp(0x1501, x.request.unit, ask); !bytes.Equal(got, want) {
			t.Errorf("%s: TCP request % X, want % X", x.name, got, want)
		}
		f := rtu(x.request.unit, reply)
		if n := lengthRTU(f); n != len(f) {
			t.Errorf("%s: RTU length %d, want %d", x.name, n, len(f))
		}
		if got, err := x.request.parseRTU(f); err != nil || !bytes.Equal(got, data) {
			t.Errorf("%s: RTU reply % X, %v", x.name, got, err)
		}
		f = tcp(0x1501, x.request.unit, reply)
		if n := lengthTCP(f); n != len(f) {
			t.Errorf("%s: TCP length %d, want %d", x.name, n, len(f))
		}
		if got, err := x.request.parseTCP(f, 0x1501); err != nil || !bytes.Equal(got, data) {
			t.Errorf("%s: TCP reply % X, %v", x.name, got, err)
		}
	}
}

func TestWrongReplies(t *testing.T) {
	r := request{17, 3, 0x6B, 1}
	good := unhex(t, "03 02 0064")
	flipped := rtu(17, good)
	flipped[3] ^= 0x10
	for name, row := range map[string]struct {
		frame []byte
		want  error
	}{
		"checksum":       {flipped, errCRC},
		"other unit":     {rtu(18, good), errUnit},
		"other function": {rtu(17, unhex(t, "04 02 0064")), errFunction},
		"too many":       {rtu(17, unhex(t, "03 04 00640000")), errCount},
		"count lies":     {rtu(17, unhex(t, "03 02 00")), errCount},
		"short":          {[]byte{17, 3, 2}, errIncomplete},
		"illegal data":   {rtu(17, unhex(t, "83 02")), Exception(2)},
		"busy":           {rtu(17, unhex(t, "83 06")), Exception(6)},
		"unlisted":       {rtu(17, unhex(t, "83 63")), Exception(0x63)},
		"foreign":        {rtu(17, unhex(t, "84 02")), errFunction},
	} {
		if _, err := r.parseRTU(row.frame); !errors.Is(err, row.want) {
			t.Errorf("%s: %v, want %v", name, err, row.want)
		}
		if row.want.Error() == "" || strings.HasSuffix(row.want.Error(), ": ") {
			t.Errorf("%s: %q says nothing", name, row.want)
		}
	}
	for name, row := range map[string]struct {
		frame []byte
		want  error
	}{
		"stale":    {tcp(7, 17, good), errStale},
		"unit":     {tcp(8, 18, good), errUnit},
		"protocol": {append([]byte{0, 8, 0, 1}, tcp(8, 17, good)[4:]...), errProtocol},
		"longer":   {append(tcp(8, 17, good), 0), errProtocol},
	} {
		if _, err := r.parseTCP(row.frame, 8); !errors.Is(err, row.want) {
			t.Errorf("TCP %s: %v, want %v", name, err, row.want)
		}
	}
}

// 1.0 is 3F800000h, -2.5 C0200000h and 1.0 in double precision
// 3FF0000000000000h by IEEE 754; the rest by counting.
func TestDecode(t *testing.T) {
	for _, row := range []struct {
		format format
		order  order
		bytes  string
		want   float64
	}{
		{u16, order{}, "FFFE", 65534},
		{u16, order{swapped: true}, "FEFF", 65534},
		{s16, order{}, "FFFE", -2},
		{s16, order{lowFirst: true}, "FFFE", -2},
		{u32, order{}, "0001 0002", 65538},
		{u32, order{lowFirst: true}, "0002 0001", 65538},
		{u32, order{swapped: true}, "0100 0200", 65538},
		{u32, order{lowFirst: true, swapped: true}, "0200 0100", 65538},
		{s32, order{}, "FFFF FFFF", -1},
		{s32, order{lowFirst: true}, "FFFE FFFF", -2},
		{f32, order{}, "3F80 0000", 1},
		{f32, order{lowFirst: true}, "0000 C020", -2.5},
		{f32, order{swapped: true}, "20C0 0000", -2.5},
		{f32, order{lowFirst: true, swapped: true}, "0000 20C0", -2.5},
		{f32, order{}, "7F80 0000", math.Inf(1)},
		{f64, order{}, "3FF0 0000 0000 0000", 1},
		{f64, order{lowFirst: true}, "0000 0000 0000 C004", -2.5},
		{f64, order{swapped: true}, "04C0 0000 0000 0000", -2.5},
	} {
		b := unhex(t, row.bytes)
		if len(b) != 2*int(row.format.registers()) {
			t.Errorf("%s fills %d registers", formatNames[row.format], row.format.registers())
		}
		if got := row.format.decode(b, row.order); got != row.want {
			t.Errorf("%s %s %+v: %v, want %v", formatNames[row.format], row.bytes, row.order, got, row.want)
		}
	}
}

// Whatever comes, the parsers keep to what was asked, and a frame of ours with
// one bit flipped is never taken.
func FuzzReply(f *testing.F) {
	for _, x := range examples {
		f.Add(rtu(x.request.unit, unhex(f, x.reply)), byte(3), uint16(1), 5)
		f.Add(tcp(1, x.request.unit, unhex(f, x.reply)), byte(4), uint16(2), 17)
	}
	f.Add([]byte{}, byte(3), uint16(125), 0)
	f.Fuzz(func(t *testing.T, b []byte, function byte, count uint16, flip int) {
		r := request{unit: 1, function: function & 0x7F, count: count%125 + 1}
		if n := lengthRTU(b); n < 0 || n > maxFrame {
			t.Errorf("RTU length %d", n)
		}
		_ = lengthTCP(b)
		for _, parse := range []func() ([]byte, error){
			func() ([]byte, error) { return r.parseRTU(b) },
			func() ([]byte, error) { return r.parseTCP(b, 1) },
		} {
			if data, err := parse(); err == nil && len(data) != 2*int(r.count) {
				t.Errorf("%d bytes for %d registers", len(data), r.count)
			}
		}
		data := make([]byte, 2*r.count)
		copy(data, b)
		frame := rtu(r.unit, append([]byte{r.function, byte(len(data))}, data...))
		if got, err := r.parseRTU(frame); err != nil || !bytes.Equal(got, data) {
			t.Errorf("sound frame: %v", err)
		}
		bit := uint(flip) % uint(8*len(frame))
		frame[bit/8] ^= 1 << (bit % 8)
		if _, err := r.parseRTU(frame); err == nil {
			t.Errorf("bit %d flipped and not seen", bit)
		}
	})
}
