// Package sheet reads and writes decoder sheets: files that say what each register of a type of decoder means, what can be
// written to it and what a reset leaves in it.
//
// [Read] reads a [Sheet] and finds every mistake in it. A Sheet gives registers names ([Sheet.ParseRange], [Sheet.ParseBit]),
// says what they take ([Sheet.Refuse]), what they are likely to hold ([Sheet.Hint]) and what they are for ([Sheet.Explain]); as
// regset.Terms it has a register set use its names and keep to its values. [Draft] begins a sheet from surveys, and from the
// [Findings] of a probe.
//
// A name is that of one register, or of several that follow each other: "speed table" is all of 67 to 94, "speed table 1" the
// first of them. A bit is REG.n, or REG.NAME with the name that the sheet gives it; REG may be a name too.
package sheet
