package session_test

import (
	"slices"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
	"fettle/nmra/wave/session"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// drawAccess draws an access that may follow this one, which was acknowledged or not.
func drawAccess(t *rapid.T, before *nmra.Access, acknowledged bool) nmra.Access {
	a := nmra.Access{
		Mode:     rapid.SampledFrom(nmra.Modes[:]).Draw(t, "mode"),
		Pace:     nmra.Pace(rapid.IntRange(0, 1).Draw(t, "pace")),
		CV:       nmra.CV(rapid.IntRange(1, int(nmra.MaxCV)).Draw(t, "CV")),
		Value:    rapid.Byte().Draw(t, "value"),
		Bit:      uint8(rapid.IntRange(0, 7).Draw(t, "bit")),
		BitValue: rapid.Bool().Draw(t, "bit value"),
	}
	a.Operation = nmra.Operation(rapid.IntRange(0, 3).Draw(t, "operation"))
	switch a.Mode {
	case nmra.Registers:
		a.CV = rapid.SampledFrom([]nmra.CV{1, 2, 3, 4, 29, 7, 8}).Draw(t, "CV of register mode")
	case nmra.AddressOnly:
		a.CV, a.Value = 1, max(1, a.Value&nmra.MaxShort)
	}
	if a.Mode != nmra.Direct {
		a.Operation &= 1
	}
	if a.Operation == nmra.VerifyBit || a.Operation == nmra.WriteBit {
		a.Value = 0
	} else {
		a.Bit, a.BitValue = 0, false
	}
	if before != nil && a.Mode == nmra.Direct && !a.Writes() && before.Mode == nmra.Direct && !before.Writes() {
		a.Pace = nmra.Standard
		a.Lead = nmra.Lead(rapid.IntRange(0, 2).Draw(t, "lead"))
		same := a
		same.Lead, same.Pace = before.Lead, before.Pace
		if a.Lead == nmra.Onward && (acknowledged || same == *before) {
			a.Lead = nmra.AfterReset
		}
	}
	return a
}

func TestEverySequenceIsHeardAsTheAccessThatItIs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := newProgrammer(wave.Milliamps(rapid.Float64Range(0, 100).Draw(t, "rest")))
		type told struct {
			Access     nmra.Access
			Answer     session.Answer
			Departures session.Departures
		}
		var want []told
		paged := false
		var before *nmra.Access
		acknowledged := false
		for range rapid.IntRange(1, 6).Draw(t, "accesses") {
			a := drawAccess(t, before, acknowledged)
			after := rapid.SampledFrom([]time.Duration{-1, 0, 100 * time.Microsecond, 5 * ms}).Draw(t, "acknowledged after")
			if after > 0 && a.Writes() {
				after += time.Duration(rapid.IntRange(0, 20).Draw(t, "time to write")) * ms
			}
			p.play(t, a, after)
			acknowledged = after >= 0

			heard := told{Access: a, Answer: session.Silent}
			if acknowledged {
				heard.Answer = session.Acknowledged
			}
			heard.Access.Pace = nmra.Standard
			if _, page, ok := a.Mode.Register(a.CV); ok {
				paged = paged || page != 1
			}
			if a.Mode != nmra.Direct && a.CV <= 4 {
				// NMRA S-9.2.3 (July 2012), section E: on page 1 the packets of three modes are the same.
				heard.Access.Mode = nmra.Registers
				if paged {
					heard.Access.Mode = nmra.Paged
				}
			}
			if a.CV >= 257 && a.CV <= 512 {
				heard.Departures = session.Unplaced
			}
			want = append(want, heard)
			before = &a
		}
		var got []told
		var l session.Listener
		for _, q := range p.hear(&l, rapid.IntRange(1, 5000).Draw(t, "batch")) {
			got = append(got, told{q.Access, q.Answer, q.Departures})
		}
		// Whether it is known what 31 and 32 hold is for TestWhatIsKnownOfADecoder.
		for i := range min(len(got), len(want)) {
			got[i].Departures &^= want[i].Departures & session.Unplaced
			want[i].Departures &^= session.Unplaced
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("(-sent +heard)\n%s", diff)
		}
	})
}

func TestPublishedPacketsOfPagedModeAreHeard(t *testing.T) {
	p := newProgrammer(8)
	reset := packet(t, 0, 0, 0)
	p.send(reset, 3)
	// NMRA S-9.2.3 (July 2012), section E: CV 65 is page 17, data register 0.
	p.send(packet(t, 0x7D, 0x11, 0x6C), 5)
	p.send(reset, 9)
	p.send(packet(t, 0x70, 0x03, 0x73), 5)
	p.send(reset, 3)
	// NMRA S-9.2.3 (July 2012), section E, page preset and factory reset: 01111101 00000001 01111100 and 01111111 00001000 01110111.
	p.send(packet(t, 0b01111101, 0b00000001, 0b01111100), 5)
	p.send(reset, 9)
	p.send(packet(t, 0b01111111, 0b00001000, 0b01110111), 5)
	p.send(reset, 6)
	var l session.Listener
	var got []nmra.Access
	for _, q := range p.hear(&l, 4096) {
		got = append(got, q.Access)
		if q.Departures != 0 {
			t.Errorf("%v: %v, want it as S-9.2.3 has it", q.Access, q.Departures)
		}
	}
	want := []nmra.Access{through(nmra.Paged, nmra.Verify, 65, 3), through(nmra.Registers, nmra.Write, 8, 8)}
	if !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}

func TestPage256IsSentAs0(t *testing.T) {
	p := newProgrammer(8)
	p.ask(t, through(nmra.Paged, nmra.Verify, 1024, 9), false)
	var l session.Listener
	if got := p.hear(&l, 4096); len(got) != 1 || got[0].Access != through(nmra.Paged, nmra.Verify, 1024, 9) {
		t.Errorf("got %+v, want CV 1024", got)
	}
}

func TestWhatRegisterModeHasNoPageForIsToldAsSuch(t *testing.T) {
	p := newProgrammer(8)
	p.send(encode(t, nmra.Instruction{Kind: nmra.RegisterWrite, Register: 1, Value: 7}), 5)
	p.pulse(p.at-ms, 6*ms, 80)
	p.send(packet(t, 0, 0, 0), 6)
	// One packet is not enough to set the page: a decoder may hold either.
	p.send(nmraPage(t, 17), 5)
	p.send(packet(t, 0, 0, 0), 9)
	p.send(nmraPage(t, 1), 1)
	p.send(packet(t, 0, 0, 0), 9)
	p.send(encode(t, nmra.Instruction{Kind: nmra.RegisterVerify, Register: 1, Value: 7}), 7)
	var l session.Listener
	got := p.hear(&l, 4096)
	if len(got) != 2 {
		t.Fatalf("got %+v, want two questions", got)
	}
	for i, want := range []session.Departures{session.NoPage, session.NoPage | session.FewPackets} {
		if got[i].Departures != want {
			t.Errorf("question %d: %v, want %v", i+1, got[i].Departures, want)
		}
	}
	if known := l.Known(); len(known.Registers) > 0 {
		t.Errorf("%+v is known, though it is not known of which CV", known)
	}
}

func nmraPage(t testing.TB, page uint8) nmra.Packet {
	return encode(t, nmra.Instruction{Kind: nmra.RegisterWrite, Register: nmra.PageRegister, Value: page})
}

func TestTimesOfAQuestionAreThoseOfItsPackets(t *testing.T) {
	p := newProgrammer(8)
	reset := packet(t, 0, 0, 0)
	p.send(reset, 3)
	begin := p.at + nmra.LongPreamble*nmra.BitTime(true)
	p.send(encode(t, nmra.Instruction{Kind: nmra.DirectVerify, CV: 29, Value: 6}), 5)
	end := p.at
	p.send(reset, 10)
	var l session.Listener
	got := p.hear(&l, 100)
	if len(got) != 1 || got[0].At != begin || got[0].End != end || got[0].Packets != 5 {
		t.Errorf("got %+v, want 5 packets from %v to %v", got, begin, end)
	}
}

func TestMainTrafficIsNoSession(t *testing.T) {
	idle, reset := packet(t, 0xFF, 0, 0xFF), packet(t, 0, 0, 0)
	// A speed packet to address 116 with 14 or 28 steps, of the very bytes of a direct verify's beginning.
	speed := encode(t, nmra.Instruction{Kind: nmra.Speed, Address: nmra.Address{Kind: nmra.Short, Number: 116}, Steps: 28, Step: 5, Forward: true})
	// Five bytes, 0111 at the front: for address 116, and too long for service mode.
	long := encode(t, nmra.Instruction{Kind: nmra.MainVerify, Address: nmra.Address{Kind: nmra.Short, Number: 116}, CV: 3, Value: 6})
	for _, c := range []struct {
		name  string
		play  func(p *programmer)
		heard int
	}{
		{"without a reset", func(p *programmer) { p.send(speed, 2); p.send(idle, 1); p.send(speed, 2) }, 0},
		{"another packet between", func(p *programmer) { p.send(reset, 3); p.send(idle, 1); p.send(speed, 2) }, 0},
		// NMRA S-9.2.3 (July 2012), section D: 20 ms without a reset or a service-mode packet, and the mode is left.
		{"20 ms behind a reset", func(p *programmer) { p.send(reset, 3); p.idle(20 * ms); p.send(speed, 2) }, 0},
		{"left by another packet", func(p *programmer) { p.send(reset, 3); p.send(speed, 2); p.send(idle, 1); p.send(speed, 2) }, 1},
		{"a longer packet between", func(p *programmer) { p.send(reset, 3); p.send(long, 2); p.send(speed, 2) }, 0},
		{"left after 20 ms", func(p *programmer) { p.send(reset, 3); p.send(speed, 2); p.idle(20 * ms); p.send(speed, 2) }, 1},
		// NMRA S-9.2.3 (July 2012), section D: a service-mode packet right behind a reset is what leads in, wherever it is sent.
		{"right behind a reset", func(p *programmer) { p.send(reset, 3); p.send(speed, 2) }, 1},
		{"within 20 ms", func(p *programmer) { p.send(reset, 3); p.idle(10 * ms); p.send(speed, 2) }, 1},
	} {
		p := &programmer{}
		p.send(idle, 3)
		c.play(p)
		p.send(idle, 3)
		var l session.Listener
		if got := p.hear(&l, 4096); len(got) != c.heard {
			t.Errorf("%s: heard %+v, want %d", c.name, got, c.heard)
		}
	}
}

func TestDeparturesFromTheSequences(t *testing.T) {
	reset, idle := packet(t, 0, 0, 0), packet(t, 0xFF, 0, 0xFF)
	ask := encode(t, nmra.Instruction{Kind: nmra.DirectVerify, CV: 3, Value: 6})
	other := encode(t, nmra.Instruction{Kind: nmra.DirectVerify, CV: 4, Value: 6})
	set := encode(t, nmra.Instruction{Kind: nmra.DirectWrite, CV: 3, Value: 6})
	register := encode(t, nmra.Instruction{Kind: nmra.RegisterVerify, Register: 4, Value: 6})
	for _, c := range []struct {
		name string
		play func(p *programmer)
		want session.Departures // of the last question
	}{
		{"as it should be", func(p *programmer) { p.send(reset, 3); p.send(ask, 5); p.send(reset, 5) }, 0},
		// NMRA S-9.2.3 (July 2012), section E: two identical packets before anything is done; five are sent.
		{"one packet", func(p *programmer) { p.send(reset, 3); p.send(ask, 1); p.send(reset, 5) }, session.OnePacket},
		{"four packets", func(p *programmer) { p.send(reset, 3); p.send(ask, 4); p.send(reset, 5) }, session.FewPackets},
		{"two packets, acknowledged", func(p *programmer) {
			p.send(reset, 3)
			p.send(ask, 2)
			p.pulse(p.at, 6*ms, 80)
			p.send(reset, 5)
		}, 0},
		{"another packet between", func(p *programmer) {
			p.send(reset, 3)
			p.send(ask, 1)
			p.send(other, 1)
			p.send(ask, 1)
			p.send(reset, 3)
		}, session.OnePacket},
		// NMRA S-9.2.3 (July 2012), section E: three resets, or between verifies one behind an acknowledgement.
		{"two resets", func(p *programmer) { p.idle(30 * ms); p.send(reset, 2); p.send(ask, 5); p.send(reset, 5) }, session.FewResets},
		{"two resets before a write", func(p *programmer) {
			p.send(ask, 5)
			p.send(reset, 2)
			p.send(set, 5)
			p.send(reset, 6)
		}, session.FewResets},
		{"verify behind verify", func(p *programmer) { p.send(reset, 3); p.send(ask, 5); p.send(other, 5); p.send(reset, 5) }, 0},
		{"no reset behind an acknowledgement", func(p *programmer) {
			p.send(reset, 3)
			p.send(ask, 2)
			p.pulse(p.at, 6*ms, 80)
			p.send(ask, 1)
			p.send(other, 5)
			p.send(reset, 5)
		}, session.FewResets},
		{"one reset behind a verify of a stay before", func(p *programmer) {
			p.send(reset, 3)
			p.send(other, 5)
			p.send(idle, 1)
			p.send(reset, 1)
			p.send(ask, 5)
			p.send(reset, 5)
		}, session.FewResets},
		{"three resets between questions of one page", func(p *programmer) {
			p.send(reset, 3)
			p.send(nmraPage(t, 1), 5)
			p.send(reset, 9)
			p.send(register, 7)
			p.send(reset, 3)
			p.send(register, 7)
			p.send(reset, 5)
		}, 0},
		// NMRA S-9.2.3 (July 2012), section E: six resets, and three more, behind setting the page.
		{"eight resets behind the page", func(p *programmer) {
			p.send(reset, 3)
			p.send(nmraPage(t, 1), 5)
			p.send(reset, 8)
			p.send(register, 7)
			p.send(reset, 5)
		}, session.FewResets},
		{"two resets before the page", func(p *programmer) {
			p.idle(30 * ms)
			p.send(reset, 2)
			p.send(nmraPage(t, 1), 5)
			p.send(reset, 9)
			p.send(register, 7)
			p.send(reset, 5)
		}, session.FewResets},
		{"four packets for the page", func(p *programmer) {
			p.send(reset, 3)
			p.send(nmraPage(t, 1), 4)
			p.send(reset, 9)
			p.send(register, 7)
			p.send(reset, 5)
		}, session.FewPackets},
		// NMRA S-9.2.3 (July 2012), section E: six packets of recovery behind a write, resets or the same.
		{"five resets behind a write", func(p *programmer) {
			p.send(reset, 3)
			p.send(set, 5)
			p.send(reset, 5)
			p.send(encode(t, nmra.Instruction{Kind: nmra.RegisterVerify, Register: nmra.PageRegister}), 5)
		}, session.ShortRecovery},
		{"cut in the recovery by the end", func(p *programmer) { p.send(reset, 3); p.send(set, 5); p.send(reset, 5) }, session.BrokenOff},
		{"recovery of the same", func(p *programmer) { p.send(reset, 3); p.send(set, 11) }, 0},
		{"the mode left behind a write", func(p *programmer) {
			p.send(reset, 3)
			p.send(set, 5)
			p.send(reset, 2)
			p.send(idle, 1)
		}, session.ShortRecovery | session.BrokenOff},
		{"the mode left in a verify", func(p *programmer) {
			p.send(reset, 3)
			p.send(ask, 3)
			p.send(idle, 1)
		}, session.FewPackets | session.BrokenOff},
		// NMRA S-9.2.3 (July 2012): a long preamble has 20 ones. With the end bit before them, 18 are 19.
		{"18 ones", func(p *programmer) { p.send(reset, 3); p.sendBehind(ask, 5, 18); p.send(reset, 5) }, session.ShortPreamble},
		{"cut in a verify by the end", func(p *programmer) { p.send(reset, 3); p.send(ask, 4) }, session.BrokenOff},
		{"whole at the end", func(p *programmer) { p.send(reset, 3); p.send(ask, 5) }, 0},
	} {
		p := newProgrammer(8)
		c.play(p)
		var l session.Listener
		got := p.hear(&l, 4096)
		if len(got) == 0 || got[len(got)-1].Departures != c.want {
			t.Errorf("%s: heard %+v, want at the end %v", c.name, got, c.want)
		}
	}
}

func TestAQuestionIsToldOnceItsTimeIsOver(t *testing.T) {
	ask := encode(t, nmra.Instruction{Kind: nmra.DirectVerify, CV: 29, Value: 6})
	for _, c := range []struct {
		name   string
		behind func(p *programmer)
		sample bool // the current is told again and again, and not only where it changes
		pulse  bool
	}{
		{"resets go on", func(p *programmer) { p.send(packet(t, 0, 0, 0), 100) }, false, false},
		{"resets go on behind an acknowledgement", func(p *programmer) { p.send(packet(t, 0, 0, 0), 100) }, false, true},
		{"no packets, but a current", func(p *programmer) { p.idle(100 * ms) }, true, true},
	} {
		p := newProgrammer(8)
		p.send(packet(t, 0, 0, 0), 3)
		p.send(ask, 5)
		end, answer := p.at, session.Silent
		if c.pulse {
			answer = session.Acknowledged
			p.pulse(p.at-20*ms, 6*ms, 80)
		}
		c.behind(p)
		var l session.Listener
		var scanner wave.Scanner
		at, told, drawn := time.Duration(0), false, p.rest
		for _, half := range p.halves {
			at += half
			_, found := scanner.Scan([]time.Duration{half})
			l.Packet(found)
			for len(p.current) > 0 && p.current[0].at <= at {
				drawn = p.current[0].c
				l.Current(p.current[0].at, drawn)
				p.current = p.current[1:]
			}
			if c.sample {
				l.Current(at, drawn)
			}
			if q, ok := l.Next(); ok {
				told = true
				if late := at - end; late < 20*ms || late > 30*ms || q.Answer != answer {
					t.Errorf("%s: %v told %v behind its last packet, want %v after 20 to 30 ms", c.name, q.Answer, late, answer)
				}
			}
		}
		if !told {
			t.Errorf("%s: not told", c.name)
		}
	}
}

func TestTheModeOfEachPacketIsToldWithIt(t *testing.T) {
	reset, idle := packet(t, 0, 0, 0), packet(t, 0xFF, 0, 0xFF)
	speed := encode(t, nmra.Instruction{Kind: nmra.Speed, Address: nmra.Address{Kind: nmra.Short, Number: 116}, Steps: 28, Step: 5, Forward: true})
	var l session.Listener
	var at time.Duration
	for i, c := range []struct {
		nmra.Packet
		service bool
	}{{speed, false}, {reset, false}, {speed, true}, {speed, true}, {reset, false}, {speed, true}, {idle, false}, {speed, false}} {
		at = packetsOf(&l, []nmra.Packet{c.Packet}, 1, at)
		if got := l.ServiceMode(); got != c.service {
			t.Errorf("packet %d, %v: %v, want %v", i+1, c.Packet, got, c.service)
		}
	}
}

func TestPowerOffEndsASession(t *testing.T) {
	p := newProgrammer(8)
	p.ask(t, through(nmra.Paged, nmra.Verify, 65, 3), true)
	p.off(150 * ms)
	p.current = append(p.current, drawn{p.at - 149*ms, 0}, drawn{p.at, 8})
	p.send(packet(t, 0, 0, 0), 20)
	p.send(encode(t, nmra.Instruction{Kind: nmra.RegisterVerify, Register: 0, Value: 3}), 7)
	var l session.Listener
	got := p.hear(&l, 4096)
	if len(got) != 2 || got[1].Departures != session.NoPage {
		t.Errorf("heard %+v, want a second question whose page is lost with the power", got)
	}
}

func TestWithoutACurrentChannelNoAnswerIsHeard(t *testing.T) {
	p := newProgrammer(8)
	p.ask(t, verify(3, 7), true)
	p.current = nil
	p.send(packet(t, 0, 0, 0), 10)
	var l session.Listener
	if got := p.hear(&l, 4096); len(got) != 1 || got[0].Answer != session.Unheard || got[0].Departures != 0 {
		t.Errorf("heard %+v, want an answer that is not heard", got)
	}
	if known := l.Known(); len(known.Registers) != 0 || len(known.Unsure) != 1 {
		t.Errorf("%+v is known, want 3 to be unsure", known)
	}
}
