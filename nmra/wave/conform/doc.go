// Package conform measures a track signal, and holds it against what the standards ask of one: S-9.1 (2020) of its times and voltages, S-9.2
// (July 2004), S-9.2.1 (July 2012) and S-9.2.3 (July 2012) of its packets.
//
// Start with a [Meter], which takes halves as a wave.Scanner does, gives the same findings, and measures by the way. Its [Result] has a
// [Rule] for each rule, with its limits, what was seen and a [Verdict], and counts of all that was heard. Where a capture has voltages, a
// [Voltmeter] measures them: how high they are, and where the two half-waves differ, as they do in a section before a signal at
// danger. [Strips] keeps the halves around what is worth a look.
//
// Rules for what is sent hold at the station; a signal that was captured far from it may be a little worse, and has to be within what
// a decoder must accept.
package conform
