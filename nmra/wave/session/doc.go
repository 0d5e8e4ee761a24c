// Package session hears, in a captured track signal, what a programmer asked of the decoder on its programming track, what it wrote, what
// the answers were, and so what the decoder holds (S-9.2.3, July 2012).
//
// Start with a [Listener]: give it the findings of a wave.Scanner and, where the capture has it, the track's current. It gives back each
// [Question] once the time is over in which it may be answered, and says at any time what is [Listener.Known] of the decoder by then.
//
// It goes by what a decoder has to go by. Service mode begins with a service-mode packet right behind a reset, and ends with any other
// packet, or 20 ms after the last of both (section D); nothing is done before two identical packets have come with no other between
// (section E). So what the same packets say on a main track is not heard here.
//
// A capture is taken to be of one decoder, and its word is taken for paged mode: one that knows register mode alone answers
// for CV 1 to 4, whatever page a programmer has set.
package session
