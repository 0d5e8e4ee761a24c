// Package wave is how packets travel on the track: as the half-bits of a signal, and back from them to packets and faults.
//
// On the track a bit is two halves, each the time between two zero crossings of the voltage between the rails: 58 µs each for a
// one, 100 µs for a zero (S-9.1, 2020). A packet is a preamble of ones, then each byte behind a 0, then a 1 (S-9.2, July 2004).
// A signal is its halves in the order of time, in batches: []time.Duration.
//
// Start with a [Sender], which turns packets into halves, with a [Fault] where a receiver is to be tested, and with a [Scanner], which
// finds packets and faults in halves, from a file or from the track. A [Signal] is many packets, sent one behind the other. Package
// capture reads and writes halves as files that instruments have recorded or can play.
//
// A Scanner is made of the two parts of a decoder, which are of use by themselves: [Bits] takes halves and finds the bits in them, a
// [Receiver] takes bits and finds the packets in them. All of them hold the signal against what a decoder must accept; what a station
// may send is narrower.
package wave
