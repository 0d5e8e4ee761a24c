package bench

import (
	"testing"
	"time"

	"fettle/station"
)

func TestTheSensorTellsAnAcknowledgementFromNoise(t *testing.T) {
	type spell struct {
		current station.Milliamps
		ms      float64
	}
	const rest, high = 8, 8 + 62
	seen := func(pulse time.Duration, height station.Milliamps) station.Answer {
		return station.Answer{Acknowledged: true, Pulse: pulse, Height: height, Rest: rest}
	}
	for _, c := range []struct {
		name   string
		spells []spell
		want   station.Answer
	}{
		{"nothing", []spell{{rest, 30}}, station.Answer{Rest: rest}},
		// NMRA S-9.2.3 (July 2012), section C: 60 mA or more for 6 ms ± 1 ms.
		{"the shortest pulse", []spell{{rest, 2}, {8 + 60, 5}, {rest, 20}}, seen(5*time.Millisecond, 60)},
		{"the longest pulse", []spell{{rest, 2}, {8 + 60, 7}, {rest, 20}}, seen(7*time.Millisecond, 60)},
		{"a spike", []spell{{rest, 2}, {high, 1}, {rest, 20}}, station.Answer{Rest: rest}},
		{"a low pulse", []spell{{rest, 2}, {8 + 30, 6}, {rest, 20}}, station.Answer{Rest: rest}},
		{"a ragged pulse", []spell{{high, 1.5}, {rest, 1}, {high, 1}, {rest, 0.5}, {high, 1.5}, {rest, 9}}, seen(4*time.Millisecond, 62)},
		{"two spikes, far apart", []spell{{high, 2}, {rest, 5}, {high, 2}, {rest, 5}}, station.Answer{Rest: rest}},
		{"a spike long after the pulse", []spell{{high, 6}, {rest, 5}, {8 + 90, 2}}, seen(6*time.Millisecond, 62)},
	} {
		s := sensor{task: atRest}
		s.sample(rest, 9*time.Millisecond)
		s.task = deaf
		s.sample(high, 9*time.Millisecond)
		s.task = listening
		for _, spell := range c.spells {
			for left := time.Duration(spell.ms * float64(time.Millisecond)); left > 0; left -= sampleEvery {
				s.sample(spell.current, sampleEvery)
			}
		}
		if got := s.answer(); got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}
