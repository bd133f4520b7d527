// Package ads1115 drives the ADS1115, a 16-bit delta-sigma converter with four
// inputs and a programmable range, on I²C.
//
// One plain input converts continuously. Several inputs, or a waveform input,
// convert one by one: then the time of each conversion is known, the chip never
// mixes inputs, and each conversion carries its settings with it. A waveform
// input is converted all the time except that each other input gets one
// conversion about every 100 ms.
//
// The chip's own clock may be 10 % slow or fast, so the driver waits 1.1 times
// the nominal conversion time and takes every stamp from the board's clock.
//
// # Datasheet
//
// ADS111x Ultra-Small, Low-Power, I2C-Compatible, 860-SPS, 16-Bit ADCs With
// Internal Reference, Oscillator, and Programmable Comparator, Texas
// Instruments SBAS444.
//
// The chip has no identity register: whatever takes the settings and gives them
// back is taken for it.
package ads1115
