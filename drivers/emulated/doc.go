// Package emulated holds models of sensor chips at the level of their
// registers, behind the same interfaces of periph that the kernel's buses
// stand behind. A driver cannot tell a model from a chip, so the demo and the
// tests run the very code that runs on a bench.
//
// The models are written from the data sheets alone and share no code with the
// drivers or with package calib; otherwise they would only prove that tipoff
// agrees with itself.
//
// Each chip embeds [Faults], the switches that break it: unplugged, not
// acknowledging, bits flipped, bus held low, settings lost, frozen, another
// chip in its place.
//
// Sources: TI SBAS444 (ADS1115), Maxim 19-5793 (MAX31855), Maxim MAX31856 data
// sheet, Microchip DS21298 (MCP3208), NIST SRD 60 for the type K function.
// Where a model rests on memory instead of the sheet, the comment says so.
package emulated
