// Package max31856 drives the MAX31856, a converter for thermocouples of all
// eight letter types that compensates its cold junction and linearises by
// itself, on SPI.
//
// It runs in automatic mode. Each read fetches the whole register file, so the
// settings are checked with every reading and written again if the chip forgot
// them. The chip has no register that tells a new conversion from an old one
// and this driver uses no data-ready line: it reads a little less often than
// the chip converts, and stamps a reading with the middle of the time in which
// its conversion can have ended. A chip that stops converting can not be told
// from a steady temperature here.
//
// # Datasheet
//
// MAX31856 Precision Thermocouple to Digital Converter with Linearization,
// Maxim Integrated 19-7534.
package max31856
