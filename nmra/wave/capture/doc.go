// Package capture reads a track signal that an instrument has recorded, and writes one for an instrument to play.
//
// A capture is a stream of bytes in one of these forms, known by how it begins: a value change dump (IEEE 1364-2005, clause 18); lines
// of comma-separated values, of levels or of voltages; a WAV file of voltages. [Open] finds the form, and which of its channels has
// the track signal; [Capture.Next] then gives the halves of the signal (package wave), batch by batch, with the voltage of each where
// the capture has voltages, and the track's current where it has a channel of that. What is held does not grow with the length of the
// capture.
//
// [WriteVCD], [WriteCSV] and [WriteWAV] write halves.
package capture
