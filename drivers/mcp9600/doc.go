// Package mcp9600 drives the MCP9600 and MCP9601, converters for thermocouples
// of eight letter types that compensate their cold junction and linearise by
// themselves, on I²C.
//
// The chip converts by itself and sets a flag when a new temperature is there;
// the driver looks for that flag, so no reading is taken twice and a chip that
// stops converting is told as frozen. I²C has no checksum: each temperature is
// read twice and only believed if both agree, and with each reading the
// settings that make its value are read back. FFFFh, which a failed transfer
// leaves behind and which is also -0.0625 °C, is believed only if the chip's ID
// reads right just then.
//
// Only the MCP9601 notices an open or shorted couple. The MCP9600 reads about
// its own temperature then, which looks like a cold tube: choose the MCP9601
// where the couple's reading guards a tube. Its bits for that are known from
// public drivers only; one user reports that the short bit flickers on sound
// couples at room temperature, and such readings are lost here.
//
// # Clock stretching
//
// The chip holds the clock low after its address while it fetches a register.
// Some boards' I²C controllers (the early Raspberry Pi's among them) sample too
// early then and see shifted bits; a bus of 100 kHz or slower, or the kernel's
// software bus (i2c-gpio), helps. What slips through is caught by the double
// reading and shows as failed transfers.
//
// # Datasheet
//
// MCP9600/MCP96L00/MCP96RL00 Thermocouple EMF to Temperature Converter,
// Microchip DS20005426.
package mcp9600
