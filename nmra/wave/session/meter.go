package session

import (
	"math"
	"slices"
	"time"

	"fettle/nmra/wave"
)

// What an acknowledgement is: at least 60 mA above rest, for 6 ms, 1 ms more or less (S-9.2.3, July 2012, section D). The rest is our own
// choice: half a milliamp and 1.5 ms of tolerance beyond that, since rest and time are measured; and from where on a rise is looked at.
const (
	leastHeight wave.Milliamps = 59.5
	leastLength                = 4500 * time.Microsecond
	mostLength                 = 8500 * time.Microsecond

	threshold  wave.Milliamps = 40                     // above rest
	enough                    = 3 * time.Millisecond   // above the threshold in an acknowledgement, breaks not counted
	longestGap                = 2 * time.Millisecond   // after which a pulse has ended
	noise                     = time.Millisecond       // above the threshold: what is shorter is no pulse
	newRest                   = 100 * time.Millisecond // after which a rise is what the track draws at rest
	settles                   = 10 * time.Millisecond  // how fast rest follows
	mostPulses                = 4096                   // that wait for their question: far more than fit in the answer to one
)

// pulse is a rise of the current.
type pulse struct {
	from, to time.Duration
	above    time.Duration // breaks not counted
	height   wave.Milliamps
}

func (p pulse) length() time.Duration { return p.to - p.from }

// kind is what answer the pulse is.
func (p pulse) kind() Answer {
	switch {
	case p.length() < leastLength || p.above < enough:
		return TooShort
	case p.length() > mostLength:
		return TooLong
	case p.height < leastHeight:
		return TooWeak
	}
	return Acknowledged
}

// meter finds the pulses in a track's current.
type meter struct {
	begun  bool
	first  time.Duration // when it was first told
	at     time.Duration // up to when it has been taken in
	drawn  wave.Milliamps
	rest   wave.Milliamps
	rising bool // a pulse is there
	pulse  pulse
	pulses []pulse // that have ended, in order
}

// current takes what is drawn from then on. What is no number is left out.
func (m *meter) current(at time.Duration, c wave.Milliamps) {
	c = wave.Milliamps(math.Abs(float64(c)))
	if !(c <= math.MaxFloat32) {
		return
	}
	if !m.begun {
		m.begun, m.first, m.at, m.rest = true, at, at, c
	}
	m.pass(at)
	m.drawn = c
}

// pass lets the time go by in which the current stays as it is.
func (m *meter) pass(to time.Duration) {
	if !m.begun || to <= m.at {
		return
	}
	length := to - m.at
	switch rise := m.drawn - m.rest; {
	case rise >= threshold:
		if !m.rising {
			m.rising, m.pulse = true, pulse{from: m.at}
		}
		m.pulse.to, m.pulse.above, m.pulse.height = to, m.pulse.above+length, max(m.pulse.height, rise)
		if m.pulse.length() > newRest {
			m.finish()
			m.rest = m.drawn
		}
	case m.rising && to-m.pulse.to > longestGap:
		m.finish()
		fallthrough
	case !m.rising:
		m.rest += rise * wave.Milliamps(float64(length)/float64(settles+length))
	}
	m.at = to
}

// finish ends the pulse that is there.
func (m *meter) finish() {
	m.rising = false
	if m.pulse.above >= noise && len(m.pulses) < mostPulses {
		m.pulses = append(m.pulses, m.pulse)
	}
}

// end says that the current is not told any further. A pulse that had fallen by then has ended.
func (m *meter) end(at time.Duration) {
	m.pass(at)
	if m.rising && m.pulse.to < m.at {
		m.finish()
	}
}

// heardBy says whether the current was told by then.
func (m *meter) heardBy(at time.Duration) bool { return m.begun && m.first <= at }

// risingWithin says whether there is a pulse that began within that time and has not ended.
func (m *meter) risingWithin(from, until time.Duration) bool {
	return m.rising && m.pulse.from >= from && m.pulse.from < until
}

// answer gives the first acknowledgement that began within that time; else the longest pulse.
func (m *meter) answer(from, until time.Duration) (best pulse, ok bool) {
	for _, p := range m.pulses {
		if p.from < from || p.from >= until {
			continue
		}
		if p.kind() == Acknowledged {
			return p, true
		}
		if p.length() > best.length() {
			best, ok = p, true
		}
	}
	return best, ok
}

// drop forgets the pulses that began before.
func (m *meter) drop(before time.Duration) {
	m.pulses = slices.DeleteFunc(m.pulses, func(p pulse) bool { return p.from < before })
}
