// Package mcp3208 drives the MCP3208, a 12-bit converter with eight inputs, on
// SPI.
//
// A waveform input is sampled in batches of about 20 ms: one call to the kernel
// moves all of a batch's frames, and the frames' length at the SPI clock gives
// the sample rate, so that the spacing is the bus controller's and not the
// scheduler's. Leading zero bytes, which the chip ignores, make a frame longer
// where the rate is low, because the chip's hold capacitor wants a clock of at
// least 10 kHz.
//
// # Stagger
//
// Samples that come steadily see the edges of a phase-cut current at few places
// between two of them at some mains frequencies, and at one only where a half cycle
// is a whole number of samples: 80 to the cycle, at 50 Hz and 4 kS/s. What lies
// between is then never seen. So each block of half a batch, 10 ms, is moved by part
// of the spacing (see Dev.move); the step between two blocks is 0.5 to 1.5 spacings,
// 0.75 to 1.75 where frames are short. The idle bits before a block's first start
// bit do it, clocked as all others, and the stamps tell it.
//
// # Datasheet
//
// MCP3204/3208 2.7V 4-Channel/8-Channel 12-Bit A/D Converters with SPI Serial
// Interface, Microchip DS21298E; framing with 8-bit ports: figures 6-1 and 6-2.
//
// The chip has neither registers nor an identity; only the null bit before each
// result tells that something follows the protocol. A data line held low looks
// like an input at 0 V.
package mcp3208
