package session

import (
	"time"

	"fettle/nmra/wave"
)

// Current takes what the track draws from then on, on the same clock as the findings, in the order of time. Its sign says nothing: that of a
// shunt in a rail changes with each half. Where there is no current channel Current is never called, and all answers are [Unheard].
func (l *Listener) Current(at time.Duration, c wave.Milliamps) {
	l.meter.current(at, c)
	l.now = max(l.now, at)
}

// Next gives the next question whose time is over, if there is one. It is to be called where packets and current have both been told
// up to the same time, in whichever order: behind each batch of a capture.
func (l *Listener) Next() (Question, bool) {
	if l.service && l.now-l.heard >= leaves {
		l.leave(l.heard + leaves)
	}
	l.meter.pass(l.now)
	if q := l.open(); q != nil && l.now >= q.latest() && l.resets > 0 {
		q.close(l.now)
	}
	if len(l.asked) == 0 {
		l.meter.pulses = l.meter.pulses[:0]
		return Question{}, false
	}
	q := l.asked[0]
	if !l.ended && (!q.closed || l.meter.risingWithin(q.from, q.until)) {
		return Question{}, false
	}
	l.asked = l.asked[1:]
	return l.tell(q), true
}

// End says that the capture is over: Next then gives what is left.
func (l *Listener) End() {
	l.leave(l.heard + leaves)
	l.meter.end(l.now)
	l.ended = true
}

// Known is what the decoder is known to hold, by all questions that Next has given.
func (l *Listener) Known() Holdings { return l.known.holdings() }

// tell says what came of a question whose time is over, and keeps it.
func (l *Listener) tell(q asked) Question {
	cut := q.until > l.now // by the end of the capture
	whole := q.Packets >= packets && (!q.Access.Writes() || q.resets+q.Packets-packets >= recovers)
	switch p, ok := l.meter.answer(q.from, q.until); {
	case q.Packets < 2, !l.meter.heardBy(q.from):
	case ok:
		q.Answer, q.Height, q.Length = p.kind(), p.height, p.length()
	case cut && (!whole || l.meter.risingWithin(q.from, q.until)):
	default:
		q.Answer = Silent
	}
	l.meter.drop(q.until)
	q.Departures |= q.departures(whole, cut, l.acked)
	l.acked = q.Answer == Acknowledged

	var placed bool
	if q.Register, placed = l.known.place(q.Access.CV); !placed {
		q.Departures |= Unplaced
	}
	l.known.learn(q.Question)
	return q.Question
}

// departures are those that show once the answer is known. A station that has seen an acknowledgement goes on at once (S-9.2.3,
// section E), so fewer packets say something only where there was none.
func (q *asked) departures(whole, cut, acked bool) (d Departures) {
	need := q.need
	if q.onward {
		// S-9.2.3, section E: behind a verify a reset is needed only if that was acknowledged.
		if need = 0; acked {
			need = 1
		}
	}
	if q.lead < need {
		d |= FewResets
	}
	if q.Packets < 2 {
		d |= OnePacket
	}
	if q.Answer == Silent && q.Packets < packets {
		d |= FewPackets
	}
	if q.Answer == Silent && q.Packets >= packets && !whole {
		d |= ShortRecovery
	}
	if q.left && !whole && (q.Answer == Silent || q.Answer == Unheard && (cut || q.Packets < 2)) {
		d |= BrokenOff
	}
	return d
}
