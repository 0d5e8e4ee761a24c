// Package regset reads and writes the two files that say what a decoder's registers hold: a register set, of wanted values, and a
// survey, of what was read from one decoder.
//
// [Read] reads a set and [Set.Wanted] makes the bytes of it; [ReadSurvey] reads a survey; [ReadAny] takes either. What a set
// says twice or in two ways that differ is an error, with its line and column, and so is what must never be written. The Append
// methods give the canonical text: sorted, what follows on folded into ranges, the same bytes for the same content. [WriteFile]
// puts it on disk, whole or not at all.
//
// The notation of registers is that of package cv, TOML that of regtoml.
package regset
