// Package iio reads converters and thermometers that the Linux kernel drives
// itself and offers by its Industrial I/O interface: hundreds of chips, all read
// in one way.
//
// Slow inputs are read from sysfs (in_voltage0_raw with its _scale and _offset,
// or in_temp_input), each reading one system call. An input with waveform = yes
// makes the whole device be captured by the kernel's buffer and read from
// /dev/iio:deviceN.
//
// # What Raw is
//
// The kernel tells scale and offset only while the device is there, and they
// may differ after it is plugged in again, but [drivers.Input] has to be known
// before. So Raw is not the chip's code but what the interface defines:
// (code + offset) x scale, which is millivolts, thousandths of a degree,
// milliamperes or kilopascals. The driver marks a code at the converter's rail
// as Clipped wherever the kernel describes the code.
//
// The kernel states no accuracy. The option accuracy does; without it a
// cautious 1 % (2 °C for temperatures) is assumed.
//
// # Sources
//
// Linux Documentation/ABI/testing/sysfs-bus-iio (units, attributes, scan type
// format) and Documentation/driver-api/iio/buffers.rst (order by index; each
// element is aligned to its own size, the scan to its largest element).
package iio
