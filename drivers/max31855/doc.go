// Package max31855 drives the MAX31855, a thermocouple converter with a
// compensated cold junction that is made in one version for each thermocouple
// type, on SPI.
//
// The chip does not linearise: it divides the voltage difference by one
// sensitivity, 41.276 µV/°C for type K, and adds its own temperature. The
// sources' inputs say so in Linearised and Sensitivity, and package calib
// undoes it.
//
// The chip is read-only and converts on its own. The driver reads a little less
// often than that and stamps a reading with the middle of the time in which its
// conversion can have ended.
//
// # Datasheet
//
// MAX31855 Cold-Junction Compensated Thermocouple-to-Digital Converter, Maxim
// Integrated 19-5793; frame: tables 2 to 5.
package max31855
