package iio

import (
	"math"
	"testing"
)

// Texts and results by the ABI: shift right, then mask; "s48/64>>2 will be a
// signed 48 bit integer stored in a 64 bit location" is its own example. The
// codes are worked out by hand.
func TestScanType(t *testing.T) {
	for _, row := range []struct {
		text  string
		bytes []byte
		want  float64
		low   float64
		high  float64
	}{
		{"le:s12/16>>4", []byte{0xF0, 0x7F}, 2047, -2048, 2047},
		{"le:s12/16>>4", []byte{0x0F, 0x80}, -2048, -2048, 2047}, // the low bits are something else
		{"be:s12/16>>4", []byte{0xFF, 0xF0}, -1, -2048, 2047},
		{"be:u12/16", []byte{0xF1, 0x23}, 0x123, 0, 4095}, // so are the high bits
		{"le:u16/16>>0\n", []byte{0x01, 0x80}, 0x8001, 0, 65535},
		{"be:s24/32>>8", []byte{0xFF, 0xFF, 0xFE, 0x55}, -2, -1 << 23, 1<<23 - 1},
		{"le:s48/64>>2", []byte{0xFC, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0x03, 0}, -1, -1 << 47, 1<<47 - 1},
		{"le:u8/8", []byte{200}, 200, 0, 255},
		{"le:s64/64>>0", []byte{0xFE, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}, -2, -1 << 63, 1 << 63},
		{"le:s16/16X2>>0", []byte{5, 0, 6, 0}, 5, -32768, 32767},
		{"le:f32/32>>0", []byte{0, 0, 0xC0, 0x3F}, 1.5, 0, 0}, // 3FC00000h, IEEE 754
		{"be:f64/64", []byte{0xC0, 0, 0, 0, 0, 0, 0, 0}, -2, 0, 0},
	} {
		st, err := parseType(row.text)
		if err != nil {
			t.Errorf("%q: %v", row.text, err)
			continue
		}
		low, high := st.rails()
		if got := st.value(row.bytes); got != row.want || low != row.low || high != row.high {
			t.Errorf("%q of % X: %v in %v..%v, want %v in %v..%v", row.text, row.bytes, got, low, high, row.want, row.low, row.high)
		}
	}
	for _, text := range []string{
		"", "le", "le:", "xe:s12/16", "le:i12/16", "le:s12", "le:s12/17", "le:s12/16>>5", "le:s0/16", "le:s12/16>>", "le:s12/16X>>4",
		"le:s+2/16", "le:s12/16>>4x", "le:f16/16", "le:f32/64", "le:s999/16", "le:s12/16>>-4",
	} {
		if st, err := parseType(text); err == nil {
			t.Errorf("%q passes as %v", text, st)
		}
	}
}

// Offsets of driver-api/iio/buffers.rst's rule, worked out by hand: an element
// lies at a multiple of its size, the scan ends at a multiple of the largest.
func TestPlace(t *testing.T) {
	el := func(index int, text string) element {
		st, err := parseType(text)
		if err != nil {
			t.Fatal(err)
		}
		return element{index: index, scanType: st}
	}
	for name, row := range map[string]struct {
		es   []element
		at   []int
		scan int
	}{
		"one":                       {[]element{el(0, "le:s12/16>>4")}, []int{0}, 2},
		"three and a timestamp":     {[]element{el(9, "le:s64/64"), el(0, "le:s16/16"), el(1, "le:s16/16"), el(2, "le:s16/16")}, []int{0, 2, 4, 8}, 16},
		"byte, word, byte":          {[]element{el(0, "le:u8/8"), el(1, "le:u32/32"), el(2, "le:u8/8")}, []int{0, 4, 8}, 12},
		"no padding where none due": {[]element{el(0, "le:u8/8"), el(1, "le:u8/8"), el(2, "le:u16/16")}, []int{0, 1, 2}, 4},
		"repeated":                  {[]element{el(0, "le:u16/16"), el(1, "le:s16/16X4")}, []int{0, 8}, 16},
	} {
		if got := place(row.es); got != row.scan {
			t.Errorf("%s: scan of %d bytes, want %d", name, got, row.scan)
		}
		for i, e := range row.es {
			if e.at != row.at[i] {
				t.Errorf("%s: element %d at %d, want %d", name, i, e.at, row.at[i])
			}
		}
	}
}

// FuzzType: whatever passes can be written again, and gives a number within its
// rails from any bytes.
func FuzzType(f *testing.F) {
	for _, s := range []string{"le:s12/16>>4", "be:u24/32>>8", "le:s16/16X3>>0", "le:f32/32", "le:s64/64", "be:u1/8>>7", "le:", ":s/>>X"} {
		f.Add(s, []byte{1, 2, 0xFF, 4, 5, 6, 7, 0x80})
	}
	f.Fuzz(func(t *testing.T, text string, b []byte) {
		st, err := parseType(text)
		if err != nil {
			return
		}
		again, err := parseType(st.String())
		if err != nil || again != st {
			t.Fatalf("%q is %v, which is %v, %v", text, st, again, err)
		}
		b = append(b, make([]byte, 8)...)
		v := st.value(b)
		if low, high := st.rails(); low != high && !(v >= low && v <= high) {
			t.Errorf("%v of % X: %v is beyond %v..%v", st, b[:8], v, low, high)
		}
		if st.kind != 'f' && v != math.Trunc(v) {
			t.Errorf("%v gives %v", st, v)
		}
		if n := place([]element{{scanType: st}, {index: 1, scanType: st}}); n < 2*st.bytes() {
			t.Errorf("two of %v take %d bytes", st, n)
		}
	})
}

// A capture as it came from a device: the hexdump of Documentation/iio/
// adis16475.rst (Linux 6.12), in which temperature and delta velocity were
// enabled. The forms of the elements are the driver's (16 and 32 bits, big end
// first; from memory, and the dump's own spacing agrees). By that document's
// formula 11Fh is 28.7 °C at 100 m°C a step.
func TestRecordedCapture(t *testing.T) {
	st := func(text string) scanType {
		st, err := parseType(text)
		if err != nil {
			t.Fatal(err)
		}
		return st
	}
	es := []element{
		{name: "in_deltavelocity_x", index: 7, scanType: st("be:s32/32>>0")},
		{name: "in_deltavelocity_y", index: 8, scanType: st("be:s32/32>>0")},
		{name: "in_deltavelocity_z", index: 9, scanType: st("be:s32/32>>0")},
		{name: "in_temp0", index: 6, scanType: st("be:s16/16>>0")},
	}
	if size := place(es); size != 16 {
		t.Fatalf("%d bytes a scan, want 16", size)
	}
	dump := []byte{
		0x01, 0x1f, 0x00, 0x00, 0xff, 0xff, 0xfe, 0xef, 0x00, 0x00, 0x47, 0xbf, 0x00, 0x03, 0x35, 0x55,
		0x01, 0x1d, 0x00, 0x00, 0xff, 0xff, 0xfe, 0x5a, 0x00, 0x00, 0x45, 0xd7, 0x00, 0x03, 0x36, 0x08,
	}
	want := map[string][2]float64{
		"in_temp0": {287, 285}, "in_deltavelocity_x": {-273, -422}, "in_deltavelocity_y": {18367, 17879}, "in_deltavelocity_z": {210261, 210440},
	}
	for _, e := range es {
		for scan, w := range want[e.name] {
			if got := e.value(dump[16*scan+e.at:]); got != w {
				t.Errorf("scan %d, %s: %v, want %v", scan, e.name, got, w)
			}
		}
	}
}
