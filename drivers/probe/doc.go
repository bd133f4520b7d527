// Package probe looks at what is connected to a computer: I²C and SPI buses and
// the chips on them, GPIO lines, sound devices, what the kernel drives itself
// (IIO, hwmon), serial ports. It says how each chip that tipoff can read has to
// be wired, what its inputs read now and how much they scatter, and writes a
// first bench.toml.
//
// # What is safe to ask
//
// An unknown chip may be a memory, an output or a battery charger, so the probe
// never writes to one. On I²C each address is asked to send one byte, without
// anything being written; addresses at which even that may do something, and
// chips that a driver of the kernel uses, are left out. Registers are read only
// where a chip of tipoff's can be. On SPI what is sent begins with a byte of
// zeros, which is no command of common memories. Only a chip that has been
// recognised gets settings written, as the logger would.
//
// # Sources
//
// Linux Documentation/i2c/dev-interface.rst, Documentation/ABI/testing/sysfs-bus-iio,
// Documentation/hwmon/sysfs-interface.rst, include/uapi/linux/gpio.h; the I²C
// specification's reserved addresses; what commonly sits at an address is from
// memory.
package probe
