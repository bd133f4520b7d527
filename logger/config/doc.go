// Package config reads bench.toml, the description of a bench: its plant, its
// channels with their devices and calibrations, where runs are kept, where the
// page is served and what sounds the alarm.
//
// The file is read strictly: an unknown key, a quantity without its unit, a
// value outside its range or a channel that no device can serve is refused with
// file, line, key, what was found and what is allowed. Nothing is applied by
// halves. [Reference] lists every key; a short bench looks like this:
//
//	[bench]
//	name = "bench-1"
//	mains = "50 Hz"
//	manifold_volume = "0.8 L"
//
//	[store]
//	directory = "/var/lib/tipoff"
//
//	[page]
//	listen = "127.0.0.1:8077"
//
//	[[channel]]
//	name = "glass"
//	role = "glass"
//	driver = "max31856"
//	bus = "/dev/spidev0.0"
//	[channel.calibration]
//	kind = "thermocouple"
//	mounting = "8 K"
//
//	[sounder]
//	driver = "buzzer"
//	line = "GPIO18"
//
// A channel's calibration turns what the device sends into Pa, °C or A; the keys
// allowed there depend on its kind, and the kinds on the channel's role. Further
// keys of a channel are options of its driver (range, rate, …), listed with
// each driver. Where a bench has two pressure channels, the first in the file is
// the one that covers the whole range from atmosphere to vacuum, and is the one
// that phases and limits go by.
package config
