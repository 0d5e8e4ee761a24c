// Package prog does the work of the programming track: it finds out what a decoder is, reads it, writes register sets to it and
// proves that they are there, and sees what a reset changed.
//
// A [Session] is one stay of a decoder on the track. [Start] one; then
//
//   - [Identify] says what the decoder is;
//   - [Session.Read] and [Session.Write] reach one register;
//   - [BeginSurvey] and [TakeSurvey] read all that a decoder has, and [ResumeSurvey] goes on with a survey that was stopped;
//   - [Prepare] plans a register set, and [Plan.Apply] does it;
//   - [Resume] and [Undo] make a plan from the journal of a batch;
//   - [Check] and [CheckSurvey] compare, and [Reset] resets;
//   - [Probe] finds out what each register takes: inquiry.go has how few writes tell it.
//
// Service mode (S-9.2.3) has one kind of answer: an acknowledgement, or none; and on dirty track some go missing and some come from
// nowhere. So a value counts as read only when the decoder has acknowledged a verify of that very byte, as often as the noise
// of the track asks for: belief.go has the arithmetic, noise.go what is believed of the track, expect.go what is guessed of a
// register before it is asked. What follows from a guess is only what is asked first. How fast the decoder is asked is in pace.go.
//
// No register is written before its old value is kept by a [Recorder], on disk: there is one place that writes, Session.set. A
// factory reset, [Reset], keeps all that it has read in the same way. On the main track nothing can be read: [WriteOnMain]
// sends, and keeps nothing.
package prog
