// Package journal is the crash-safe file of a run.
//
// A run is a folder, whole in itself, readable with public tools alone:
//
//	frames.lp      while it is recorded: line protocol, appended, synced at
//	               most a second apart (frames-2.lp … after a disk failure)
//	frames.lp.zst  the same lines once the run is sealed
//	frames.torn    damaged bytes found while sealing, for inspection
//	run.toml       what is known about the run, see [Meta]
//	SHA256SUMS     for sha256sum -c, once sealed
//
// Lines are grouped into blocks. Each block ends with a comment line, which
// readers of line protocol pass over:
//
//	# seal n=12 lines=5 bytes=1234 prev=01234567 crc32c=9ae0daaf
//
// n counts blocks from 1, bytes is the length of the block's lines, prev is the
// checksum of block n-1. The CRC-32C is over the block's lines and the seal
// line up to and with the space before "crc32c". Only sealed blocks are
// believed: a line that was cut short is often still valid line protocol with
// another value.
//
// A frame is a line of measurement "frame", one for each frame, with fields for
// each channel: <name> the value in SI units (temperatures in °C), <name>_u its
// standard uncertainty, <name>_raw and <name>_aux the device's numbers, <name>_n
// the samples behind it if not 1, <name>_q its quality bits if not 0, and
// <name>_ind, <name>_ind_u, <name>_ind_q the indicated value where it differs.
// Every frame has phase, seq, and gas: what heat-conduction gauges were corrected
// for, by its short name ("air", "ne"; "moist" is air and water vapour, "mixture"
// a gas of no known factor). What there is no reading of is left out.
// Values are rounded to a hundredth of their uncertainty or finer, which adds
// nothing to it and saves a third of the file; raw numbers are exact.
//
// An event is a line of measurement "event" with tag kind, see [Event].
//
// A timestamp is the monotonic time plus a constant for the run: the wall clock
// at its start, or 1970 if the board did not know the time. A frame's is rounded to
// 10 µs. Bench and run are
// in run.toml and not on each line: on the disk they would be a fifth of what
// is written.
package journal

const (
	format       = 1
	metaName     = "run.toml"
	sumsName     = "SHA256SUMS"
	nextSumsName = "SHA256SUMS.next"
	sealedName   = "frames.lp.zst"
	tornName     = "frames.torn"
	tmpSuffix    = ".tmp"
)
