// Package speaker sounds alarms through the computer's sound device. A [Synth]
// computes the tone and its pulses; [Dev] hands them to the kernel's PCM device
// (/dev/snd/pcmC*D*p) without any sound library.
//
// The tone has harmonics, because a single frequency is hard to locate and may
// fall on a resonance of the room or a gap in somebody's hearing. After IEC
// 60601-1-8: a fundamental of 150 to 1000 Hz, at
// least four components from 300 to 4000 Hz, each within 15 dB of the
// fundamental. How loud it is, no program can know: it depends on amplifier,
// loudspeaker and shop. Measure it at the operator's place.
//
// It is an aid to the operator and no safety device.
package speaker
