// Package cv knows the registers of a decoder: its configuration variables, by NMRA S-9.2.2 (July 2012).
//
// A [Register] is one of them, a [Bit] one of its bits, [Values] what several hold. [ParseRegister], [ParseRange] and [ParseBit] read
// the notation that every command and file uses; package regtoml, below, reads it from TOML.
package cv
