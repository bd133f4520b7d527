// Package serialgauge reads instruments that send readings as text on a serial
// port, either when asked or by themselves. The channel in bench.toml describes
// the question, the pattern of the answer and the line.
//
// The port is looked at and never waited for. Lines that broke off, that the
// instrument's start-up left, or that a spark spoiled are skipped: a number is
// only taken from a whole line that the pattern matches. An instrument that
// stops sending is reported after its timeout; its last number is not repeated.
//
// There is no data sheet: the text is the instrument's own. Where it prints a
// checksum, the pattern can not verify it.
package serialgauge
