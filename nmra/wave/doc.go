// Package wave is how packets travel on the track: as the half-bits of a signal, and back from bits to packets.
//
// On the track a bit is two halves, each the time between two zero crossings of the voltage between the rails: 58 µs each for a
// one, 100 µs for a zero (S-9.1, 2020). A packet is a preamble of ones, then each byte behind a 0, then a 1 (S-9.2, July 2004).
//
// [Halves] gives the halves of a packet; [WriteVCD] and [WriteCSV] write any halves as a waveform for other programs to draw. A
// [Receiver] takes bits as a decoder does and finds the packets in them. Start with it, or with the example of the package.
package wave
