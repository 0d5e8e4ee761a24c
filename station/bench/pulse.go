package bench

import (
	"math/rand/v2"
	"time"

	"fettle/station"
)

// pulse is a rise of a decoder's current: an acknowledgement, or a stray one that dirt on the track makes.
type pulse struct {
	from, until time.Duration
	gaps        [4]gap // without contact; the zero gap is none
}

type gap struct{ from, until time.Duration }

// newPulse makes a pulse whose contact is broken for a part of it, in one gap of equal length somewhere in each quarter.
func newPulse(from, length time.Duration, ragged float64, random *rand.Rand) pulse {
	p := pulse{from: from, until: from + length}
	if ragged == 0 {
		return p
	}
	quarter := length / time.Duration(len(p.gaps))
	broken := time.Duration(float64(quarter) * ragged)
	for i := range p.gaps {
		start := from + time.Duration(i)*quarter + time.Duration(random.Float64()*float64(quarter-broken))
		p.gaps[i] = gap{start, start + broken}
	}
	return p
}

func (p *pulse) flows(t time.Duration) bool {
	if t < p.from || t >= p.until {
		return false
	}
	for _, g := range p.gaps {
		if t >= g.from && t < g.until {
			return false
		}
	}
	return true
}

// current is what the decoder draws at t.
func (d *Decoder) current(t time.Duration) station.Milliamps {
	switch {
	case !d.powered:
		return 0
	case t < d.inrushUntil:
		return d.spec.Rest.Inrush
	case d.pulse.flows(t):
		return d.spec.Rest.Current + d.spec.Ack.Current
	}
	return d.spec.Rest.Current
}

// steady says whether the current stays as it is from one instant up to another.
func (d *Decoder) steady(from, to time.Duration) bool {
	return !d.powered || from >= d.inrushUntil && (to <= d.pulse.from || from >= d.pulse.until)
}

// leastBit is the shortest bit that a decoder must accept (S-9.1, 2020): two halves of 52 µs.
const leastBit = 104 * time.Microsecond

// steadyUntil says until when the current is sure to stay as it is, from an instant on, whatever bits come.
func (d *Decoder) steadyUntil(from time.Duration) time.Duration {
	if !d.powered {
		return never
	}
	until := min(d.due, d.now+time.Duration(d.receiver.Ahead())*leastBit)
	at := func(change time.Duration) {
		if change > from {
			until = min(until, change)
		}
	}
	at(d.inrushUntil)
	at(d.pulse.from)
	at(d.pulse.until)
	for _, g := range d.pulse.gaps {
		at(g.from)
		at(g.until)
	}
	return until
}

// answer draws the pulse that follows an instruction, from at on: an acknowledgement where yes, none where not, and now and then
// the other way round, as dirt on the track has it. A lost acknowledgement loses its contact before a station can have seen it.
func (d *Decoder) answer(yes bool, at time.Duration) {
	ack := d.spec.Ack
	if yes {
		length := ack.Time
		if d.chance(ack.Lost) {
			length = min(length, time.Duration(d.random.Float64()*float64(enough/2)))
		}
		d.pulse = newPulse(at, length, ack.Ragged, d.random)
	} else if d.chance(ack.False) {
		d.pulse = newPulse(at, ack.Time, ack.Ragged, d.random)
	}
}

func (d *Decoder) chance(p float64) bool { return p > 0 && d.random.Float64() < p }
