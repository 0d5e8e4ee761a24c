// Package wave is how packets travel on the track: as the half-bits of a signal, and back from bits to packets.
//
// On the track a bit is two halves, each the time between two zero crossings of the voltage between the rails: 58 µs each for a
// one, 100 µs for a zero (S-9.1, 2020). A packet is a preamble of ones, then each byte behind a 0, then a 1 (S-9.2, July 2004).
//
// [Halves] gives the halves of a packet; [WriteVCD] and [WriteCSV] write any halves as a waveform for other programs to draw. The way
// back is that of a decoder: [Bits] takes halves and finds the bits in them, a [Receiver] takes bits and finds the packets in them. Start
// with these two, or with the examples of the package.
package wave
