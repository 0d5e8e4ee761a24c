package session

import (
	"time"

	"fettle/nmra/wave"
)

// Listener hears a track. The zero Listener is ready. Until [Listener.Next] takes them, it keeps the questions that were told to it; what it
// keeps of the decoder is bounded, to registers 1 to 1024 and 64 pages.
type Listener struct{}

// Packet takes the next finding of a wave.Scanner, in the order of time. On the way of packets that are no service mode it allocates nothing.
func (l *Listener) Packet(f wave.Finding) {}

// Current takes what the track draws from then on, on the same clock as the findings, in the order of time. Where there is no current
// channel it is never called, and all answers are [Unheard].
func (l *Listener) Current(at time.Duration, c wave.Milliamps) {}

// Next gives the next question whose time is over, if there is one. To be called where packets and current have both been told
// up to the same time, in whichever order: behind each batch of a capture.
func (l *Listener) Next() (Question, bool) { return Question{}, false }

// End says that the capture is over: Next then gives what is left.
func (l *Listener) End() {}

// Known is what the decoder is known to hold, by all questions that Next has given.
func (l *Listener) Known() Holdings { return Holdings{} }
