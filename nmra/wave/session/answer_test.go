package session_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
	"fettle/nmra/wave/session"

	"pgregory.net/rapid"
)

// after plays a verify of five packets, ten resets and two packets more, and has the current begin after the second packet.
func after(t *testing.T, rest wave.Milliamps, current func(p *programmer, second time.Duration)) session.Question {
	t.Helper()
	p := newProgrammer(rest)
	ask := encode(t, nmra.Instruction{Kind: nmra.DirectVerify, CV: 3, Value: 6})
	p.send(packet(t, 0, 0, 0), 3)
	p.send(ask, 2)
	current(p, p.at)
	p.send(ask, 3)
	p.send(packet(t, 0, 0, 0), 10)
	p.send(ask, 2)
	var l, whole session.Listener
	got, same := p.hear(&l, 1), p.hear(&whole, len(p.halves))
	if len(got) != 2 || !slices.Equal(got, same) {
		t.Fatalf("heard %+v half by half and %+v at once, want two questions, the same", got, same)
	}
	return got[0]
}

func TestAnswersByTheirPulse(t *testing.T) {
	us := time.Microsecond
	for _, c := range []struct {
		name   string
		delay  time.Duration // behind the second packet
		length time.Duration
		height wave.Milliamps
		want   session.Answer
	}{
		// NMRA S-9.2.3 (July 2012), section D: at least 60 mA more, for 6 ms, 1 ms more or less.
		{"nominal", 0, 6 * ms, 60, session.Acknowledged},
		{"shortest", 2 * ms, 5 * ms, 60, session.Acknowledged},
		{"longest", 2 * ms, 7 * ms, 60, session.Acknowledged},
		{"strong", 0, 6 * ms, 250, session.Acknowledged},
		{"late", 27 * ms, 6 * ms, 80, session.Acknowledged}, // while the last packet is on the track, which ends 25 to 30 ms behind the second
		// Our own choice: how much tolerance there is beyond that.
		{"short, within the tolerance", 0, 4500 * us, 60, session.Acknowledged},
		{"too short", 0, 4400 * us, 60, session.TooShort},
		{"long, within the tolerance", 0, 8500 * us, 60, session.Acknowledged},
		{"too long", 0, 8600 * us, 60, session.TooLong},
		{"far too long", 0, 50 * ms, 60, session.TooLong},
		{"too weak", 0, 6 * ms, 58, session.TooWeak},
		{"noise", 5 * ms, 900 * us, 90, session.Silent},
		{"a motor that draws a little more", 5 * ms, 6 * ms, 35, session.Silent},
		{"before the second packet has ended", -1 * ms, 6 * ms, 80, session.Silent},
		{"in the end bit of the second packet", -50 * us, 6 * ms, 80, session.Acknowledged},
		{"ending when the time for it is over", 43 * ms, 6 * ms, 80, session.Acknowledged}, // 45 ms behind the second packet
		{"long after the last packet", 60 * ms, 6 * ms, 80, session.Silent},
	} {
		q := after(t, 8, func(p *programmer, second time.Duration) { p.pulse(second+c.delay, c.length, c.height) })
		if q.Answer != c.want {
			t.Errorf("%s: %v, want %v", c.name, q.Answer, c.want)
		}
		if heard := c.want != session.Silent; heard && q.Length != c.length || heard && math.Abs(float64(q.Height-c.height)) > 0.01 {
			t.Errorf("%s: %.3f mA for %v, want %v mA for %v", c.name, q.Height, q.Length, c.height, c.length)
		}
	}
}

func TestAnAcknowledgementCountsAmongOtherPulses(t *testing.T) {
	q := after(t, 8, func(p *programmer, second time.Duration) {
		p.pulse(second-10*ms, 6*ms, 80) // of the question before
		p.pulse(second+1*ms, 2*ms, 300)
		p.pulse(second+8*ms, 6*ms, 70)
		p.pulse(second+20*ms, 10*ms, 90)
	})
	if q.Answer != session.Acknowledged || math.Abs(float64(q.Height-70)) > 0.01 || q.Length != 6*ms {
		t.Errorf("%v, %v mA for %v, want the pulse of 70 mA", q.Answer, q.Height, q.Length)
	}
}

func TestOfPulsesThatAcknowledgeNothingTheLongestIsTold(t *testing.T) {
	q := after(t, 8, func(p *programmer, second time.Duration) {
		p.pulse(second+1*ms, 6*ms, 50)
		p.pulse(second+10*ms, 2*ms, 300)
	})
	if q.Answer != session.TooWeak || q.Length != 6*ms {
		t.Errorf("%v for %v, want the weak one of 6 ms", q.Answer, q.Length)
	}
}

func TestAPulseWithShortBreaksIsOne(t *testing.T) {
	q := after(t, 8, func(p *programmer, second time.Duration) {
		p.pulse(second, 2*ms, 80)
		p.pulse(second+3*ms, 3*ms, 80)
	})
	if q.Answer != session.Acknowledged || q.Length != 6*ms {
		t.Errorf("%v for %v, want an acknowledgement of 6 ms", q.Answer, q.Length)
	}
	q = after(t, 8, func(p *programmer, second time.Duration) {
		for k := range time.Duration(4) {
			p.pulse(second+k*2*ms, 300*time.Microsecond, 80)
		}
	})
	if q.Answer != session.TooShort {
		t.Errorf("%v, want a pulse that is mostly breaks to be too short", q.Answer)
	}
}

func TestRestIsWhatWasDrawnBefore(t *testing.T) {
	for _, c := range []struct {
		name    string
		rest    wave.Milliamps
		current func(p *programmer, second time.Duration)
		want    session.Answer
	}{
		{"a motor at rest", 95, func(p *programmer, second time.Duration) { p.pulse(second, 6*ms, 65) }, session.Acknowledged},
		{"a lamp that came on before", 8, func(p *programmer, second time.Duration) {
			p.current = append(p.current, drawn{20 * ms, 108})
			p.rest = 108
			p.pulse(second, 6*ms, 65)
		}, session.Acknowledged},
		{"the sign of a shunt in a rail", 8, func(p *programmer, second time.Duration) {
			for at := time.Duration(0); at < second+30*ms; at += 100 * time.Microsecond {
				c := wave.Milliamps(8)
				if at >= second && at < second+6*ms {
					c = 80
				}
				if at/(100*time.Microsecond)%2 == 1 {
					c = -c
				}
				p.current = append(p.current, drawn{at, c})
			}
		}, session.Acknowledged},
		{"what is no number", 8, func(p *programmer, second time.Duration) {
			p.pulse(second, 6*ms, 65)
			for k := range time.Duration(20) {
				p.current = append(p.current, drawn{second + k*ms/2, wave.Milliamps(math.NaN())}, drawn{second + k*ms/2, wave.Milliamps(math.Inf(-1))})
			}
		}, session.Acknowledged},
	} {
		if q := after(t, c.rest, c.current); q.Answer != c.want {
			t.Errorf("%s: %v, want %v", c.name, q.Answer, c.want)
		}
	}
}

func TestAnswersAreHeardThroughNoiseOfTheCurrent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := newProgrammer(wave.Milliamps(rapid.Float64Range(20, 100).Draw(t, "rest")))
		var want []session.Answer
		for range rapid.IntRange(1, 4).Draw(t, "questions") {
			after, answer := time.Duration(-1), session.Silent
			if rapid.Bool().Draw(t, "acknowledged") {
				after, answer = time.Duration(rapid.IntRange(0, 20).Draw(t, "ms behind the second packet"))*ms, session.Acknowledged
			}
			p.play(t, write(3, 7), after)
			want = append(want, answer)
		}
		// Samples instead of changes, each up to 15 mA off: invented.
		noise := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		changes := append(p.current, drawn{p.at, p.rest})
		p.current = nil
		for at, i := time.Duration(0), 0; at < p.at; at += 100 * time.Microsecond {
			for changes[i+1].at <= at {
				i++
			}
			p.current = append(p.current, drawn{at, changes[i].c + wave.Milliamps(30*noise.Float64()-15)})
		}
		var l session.Listener
		var got []session.Answer
		for _, q := range p.hear(&l, 4096) {
			got = append(got, q.Answer)
			if off := math.Abs(float64(q.Length - nmra.Pulse)); q.Answer == session.Acknowledged && off > float64(200*time.Microsecond) {
				t.Errorf("a pulse of %v, want %v", q.Length, nmra.Pulse)
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("heard %v, want %v", got, want)
		}
	})
}

func TestCurrentMayBeToldBeforeThePacketsOfItsTime(t *testing.T) {
	p := newProgrammer(8)
	p.ask(t, verify(3, 7), true)
	p.send(packet(t, 0, 0, 0), 10)
	var l session.Listener
	for _, c := range p.current {
		l.Current(c.at, c.c)
	}
	p.current = nil
	if got := p.hear(&l, len(p.halves)); len(got) != 1 || got[0].Answer != session.Acknowledged {
		t.Errorf("heard %+v, want an acknowledgement", got)
	}
}

func TestAnAnswerThatTheEndCutsOffIsNotHeard(t *testing.T) {
	ask := encode(t, nmra.Instruction{Kind: nmra.DirectVerify, CV: 3, Value: 6})
	for _, c := range []struct {
		name    string
		packets int
		above   time.Duration // how long the pulse had lasted at the end
		fell    bool
		want    session.Answer
	}{
		{"in the pulse", 3, 5 * ms, false, session.Unheard},
		{"in the pulse, all packets sent", 5, 5 * ms, false, session.Unheard},
		{"right behind it", 3, 6 * ms, true, session.Acknowledged},
		{"in all packets", 5, 0, true, session.Silent},
		{"before all packets", 4, 0, true, session.Unheard},
	} {
		p := newProgrammer(8)
		p.send(packet(t, 0, 0, 0), 3)
		p.send(ask, c.packets)
		p.current = append(p.current, drawn{p.at - c.above - 100*time.Microsecond, 90})
		if c.fell {
			p.current = append(p.current, drawn{p.at - 100*time.Microsecond, 8})
		}
		var l session.Listener
		if got := p.hear(&l, 4096); len(got) != 1 || got[0].Answer != c.want {
			t.Errorf("%s: heard %+v, want %v", c.name, got, c.want)
		}
	}
}

func TestACurrentThatBeginsLaterAnswersNothingBefore(t *testing.T) {
	p := newProgrammer(8)
	p.ask(t, verify(3, 7), false)
	p.current[0].at = p.at - 5*ms
	p.send(packet(t, 0, 0, 0), 10)
	var l session.Listener
	if got := p.hear(&l, 4096); len(got) != 1 || got[0].Answer != session.Unheard {
		t.Errorf("heard %+v, want an answer that is not heard", got)
	}
}

func TestPulsesThatAnsweredNothingAreForgotten(t *testing.T) {
	var l session.Listener
	var at time.Duration
	drawn := func(c wave.Milliamps, length time.Duration) { l.Current(at, c); at += length }
	drawn(8, 0)
	for range 10_000 { // on a main track, between packets
		drawn(88, 3*ms)
		drawn(8, 3*ms)
		l.Next()
	}
	reset, ask := packet(t, 0, 0, 0), encode(t, nmra.Instruction{Kind: nmra.DirectVerify, CV: 3, Value: 6})
	acknowledged := 0
	for range 10_000 { // in questions behind each other, one of which is always open
		at = packetsOf(&l, []nmra.Packet{reset}, 3, at)
		at = packetsOf(&l, []nmra.Packet{ask}, 5, at)
		at -= 20 * ms
		drawn(88, 6*ms)
		drawn(8, 14*ms)
		if q, ok := l.Next(); ok && q.Answer == session.Acknowledged {
			acknowledged++
		}
	}
	if acknowledged != 9_999 {
		t.Errorf("%d acknowledged, want all but the last", acknowledged)
	}
}
