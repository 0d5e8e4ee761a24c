// Package cv knows the registers of a decoder: its configuration variables, by NMRA S-9.2.2 (July 2012).
//
// A [Register] is one of them, a [Bit] one of its bits, [Values] what several hold. The map:
//
//   - register.go: the notation that every command and file uses. Start with [ParseRegister], [ParseRange], [ParseBit]; [Ranges] writes it.
//     Package regtoml, below, reads it from TOML.
//   - explain.go: [Explain] says what the standard has a register for, [ExplainValue] what a value in it means, bit by bit. The
//     standard's table is in knowledge.go, what depends on a value in meaning.go.
//   - address.go: [AddressInUse] says which address a decoder answers to, and why; [LongAddress] gives the two registers of a long one.
package cv
