// Package nmra is the published standards of digital command control as code: what a packet can say, how its bytes are laid
// out, and which packets make up one access to a register on the programming track. Everything in it is a value; it does no
// I/O and knows no clock.
//
// # Where to start
//
// An [Instruction] is what one packet says; [Instruction.Encode] gives its [Packet], [Parse] reads the bytes of one, and
// String says it as a sentence. An [Access] is one question to a decoder on the programming track, or one change of it, and
// [Access.Sequence] the packets that a station plays for it.
//
// # Which standard is where
//
//	Packet        framing, check byte, bit times      S-9.2 (July 2004), S-9.1 (2020)
//	Address       who is spoken to                    S-9.2.1 (July 2012)
//	Instruction   on the main: speed, functions ...   S-9.2, S-9.2.1
//	              in service mode                     S-9.2.3 (July 2012), section E
//	Access        sequences of service mode           S-9.2.3, sections D and E
//
// What the registers mean (S-9.2.2) is in the package cv below this one; how bits become a signal, and a signal packets, in
// the package wave.
//
// # Careful
//
// A stop is a request: a decoder that does not hear it, behind dirty track or on another address, runs on. Whoever must be
// sure cuts the power of the track.
package nmra
