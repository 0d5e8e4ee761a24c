package bench

import (
	"slices"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/station"
)

var (
	askMaker13 = nmra.Instruction{Kind: nmra.DirectVerify, CV: 8, Value: 13}
	askMaker14 = nmra.Instruction{Kind: nmra.DirectVerify, CV: 8, Value: 14}
)

func TestOnePacketIsNotEnoughTwoAreAndMoreAreNotMore(t *testing.T) {
	// NMRA S-9.2.3 (July 2012), section E: a verify or write is done only after two identical packets.
	for times, want := range []int{0, 0, 1, 1, 1, 1, 1} {
		b, _ := on(t, plain())
		if got := play(t, b, slices.Repeat([]nmra.Packet{packet(t, askMaker13)}, times)...); got != want {
			t.Errorf("%d packets were acknowledged %d times, want %d", times, got, want)
		}
	}
}

func TestAnyValidPacketBetweenSpoilsThePair(t *testing.T) {
	ask := packet(t, askMaker13)
	broken := raw(t, 0x7C, 0x07, 0x0E, 0x00)
	for _, c := range []struct {
		name    string
		between nmra.Packet
		want    int
	}{
		// NMRA S-9.2.3 (July 2012), section E: no other valid packet between the two.
		{"another question", packet(t, askMaker14), 0},
		{"a reset", reset, 0},
		{"a packet whose check byte is wrong", broken, 1},
	} {
		b, _ := on(t, plain())
		if got := play(t, b, ask, c.between, ask); got != c.want {
			t.Errorf("with %s between: acknowledged %d times, want %d", c.name, got, c.want)
		}
	}
}

func TestTheSamePairAfterAResetIsANewQuestion(t *testing.T) {
	b, _ := on(t, plain())
	ask := packet(t, askMaker13)
	if got := play(t, b, ask, ask, reset, ask, ask); got != 2 {
		t.Errorf("acknowledged %d times, want 2", got)
	}
}

func TestASlowDecoderNeedsMorePacketsAndResetsBeforeEachQuestion(t *testing.T) {
	ask, other := packet(t, askMaker13), packet(t, nmra.Instruction{Kind: nmra.DirectVerifyBit, CV: 8, Bit: 0, BitValue: true}) // 13 is odd
	for _, c := range []struct {
		pace                   Pace
		packets, resetsBetween int
		want                   int // of two questions, which are both true
	}{
		{Pace{}, 2, 0, 2},
		{Pace{Packets: 4}, 3, 0, 0},
		{Pace{Packets: 4}, 4, 0, 2},
		{Pace{Packets: 4}, 7, 0, 2},
		{Pace{Resets: 3}, 5, 0, 1},
		{Pace{Resets: 3}, 5, 2, 1},
		{Pace{Resets: 3}, 5, 3, 2},
		{Pace{Packets: 6, Resets: 2}, 5, 3, 0},
		{Pace{Packets: 6, Resets: 2}, 6, 2, 2},
	} {
		spec := plain()
		spec.Pace = c.pace
		b, _ := on(t, spec)
		packets := slices.Repeat([]nmra.Packet{ask}, c.packets)
		packets = append(packets, slices.Repeat([]nmra.Packet{reset}, c.resetsBetween)...)
		packets = append(packets, slices.Repeat([]nmra.Packet{other}, c.packets)...)
		if got := play(t, b, packets...); got != c.want {
			t.Errorf("%+v, %d packets and %d resets between: acknowledged %d times, want %d", c.pace, c.packets, c.resetsBetween, got, c.want)
		}
	}
}

func TestServiceModeBeginsWithAServiceModePacketRightAfterAReset(t *testing.T) {
	ask := packet(t, askMaker13)
	for _, c := range []struct {
		name   string
		before []nmra.Packet
		want   int
	}{
		// NMRA S-9.2.3 (July 2012), section D.
		{"a reset", []nmra.Packet{reset}, 1},
		{"nothing but idle packets", []nmra.Packet{idle, idle}, 0},
		{"a reset, then an idle packet", []nmra.Packet{reset, idle}, 0},
		{"another packet after entry", []nmra.Packet{reset, ask, idle}, 0},
	} {
		b, _ := on(t, plain())
		playBehind(t, b, nmra.LongPreamble, idle) // power-on ends with resets
		silence(b, 30*time.Millisecond)
		if got := playBehind(t, b, nmra.LongPreamble, append(c.before, ask, ask)...); got != c.want {
			t.Errorf("after %s: acknowledged %d times, want %d", c.name, got, c.want)
		}
	}
}

func TestServiceModeEndsAfter20MillisecondsWithoutItsPackets(t *testing.T) {
	ask := packet(t, askMaker13)
	// From one end bit to the next.
	airtime := ask.Airtime(nmra.LongPreamble)
	for _, c := range []struct {
		gap  time.Duration
		want int
	}{
		// NMRA S-9.2.3 (July 2012), section D: 20 ms.
		{19*time.Millisecond - airtime, 1},
		{21*time.Millisecond - airtime, 0},
	} {
		b, _ := on(t, plain())
		play(t, b)
		silence(b, c.gap)
		if got := playBehind(t, b, nmra.LongPreamble, ask, ask); got != c.want {
			t.Errorf("%v without a packet: acknowledged %d times, want %d", c.gap+airtime, got, c.want)
		}
	}
}

func TestServiceModePacketsBehindAShortPreambleAreIgnored(t *testing.T) {
	ask := packet(t, askMaker13)
	for _, c := range []struct {
		ones int
		want int
	}{
		// NMRA S-9.2.3 (July 2012), section E: at least 20 preamble bits.
		{14, 0}, {18, 0}, {20, 1},
	} {
		b, _ := on(t, plain())
		if got := playBehind(t, b, c.ones, reset, ask, ask, ask); got != c.want {
			t.Errorf("behind %d ones: acknowledged %d times, want %d", c.ones, got, c.want)
		}
	}
}

func TestAnAcknowledgementIsAtLeast60MilliampsFor5To7Milliseconds(t *testing.T) {
	for _, name := range Names() {
		spec, err := BuiltIn(name)
		if err != nil {
			t.Fatal(err)
		}
		if spec.Rest.Current > station.MostCurrent {
			continue // blows the fuse before it can answer
		}
		spec.Ack.Lost, spec.Ack.False = 0, 0
		b, _ := on(t, spec)
		a := do(t, b, nmra.Access{Mode: spec.Modes[0], CV: 1, Value: spec.Registers[at(1)]})
		// Gaps in the contact are no part of the pulse.
		low, high := 5*time.Millisecond, 7*time.Millisecond
		low -= time.Duration(float64(low) * spec.Ack.Ragged)
		// NMRA S-9.2.3 (July 2012), section C: 60 mA or more, for 6 ms ± 1 ms.
		if !a.Acknowledged || a.Height < 60 || a.Pulse < low || a.Pulse > high {
			t.Errorf("%s: %+v, want 60 mA or more for %v to %v", name, a, low, high)
		}
		if a.Rest != spec.Rest.Current {
			t.Errorf("%s: %v mA at rest, want %v", name, a.Rest, spec.Rest.Current)
		}
	}
}

func TestAWriteIsAcknowledgedWhenTheMemoryIsUpdated(t *testing.T) {
	spec := plain()
	spec.WriteTime = 7 * time.Millisecond
	b, d := on(t, spec)
	p := packet(t, nmra.Instruction{Kind: nmra.DirectWrite, CV: 3, Value: 99})
	playBehind(t, b, nmra.LongPreamble, reset, reset)
	second := b.now + 2*p.Airtime(nmra.LongPreamble)
	for d.Values()[at(3)] != 99 {
		if b.now > second+20*time.Millisecond {
			t.Fatal("nothing was written")
		}
		if d.current(b.now) > spec.Rest.Current {
			t.Fatalf("acknowledged %v after the second packet, before the memory was updated", b.now-second)
		}
		for one := range p.Bits(nmra.LongPreamble) {
			b.now += nmra.BitTime(one)
			if listen(d, one, b.now); d.Values()[at(3)] == 99 {
				break
			}
		}
	}
	// NMRA S-9.2.3 (July 2012), section E: once the memory is updated. A bit is at most 0.2 ms.
	if took := b.now - second; took < spec.WriteTime || took > spec.WriteTime+200*time.Microsecond {
		t.Errorf("the memory was updated after %v, want %v", took, spec.WriteTime)
	}
	if got := d.current(b.now); got != 88 {
		t.Errorf("%v mA at that time, want the acknowledgement: 88 mA", got)
	}
}

func TestADirectModeDecoderAnswersOneOfTheTwoQuestionsThatTell(t *testing.T) {
	for _, name := range Names() {
		spec, _ := BuiltIn(name)
		if spec.Rest.Current > station.MostCurrent {
			continue
		}
		spec.Ack.Lost, spec.Ack.False = 0, 0
		b, _ := on(t, spec)
		answers := 0
		// NMRA S-9.2.3 (July 2012), section E: verify bit 7 of CV 8 as 0, then as 1.
		for _, set := range []bool{false, true} {
			if do(t, b, nmra.Access{Operation: nmra.VerifyBit, CV: 8, Bit: 7, BitValue: set}).Acknowledged {
				answers++
			}
		}
		want := 0
		if slices.Contains(spec.Modes, nmra.Direct) {
			want = 1
		}
		if answers != want {
			t.Errorf("%s: %d answers, want %d", name, answers, want)
		}
	}
}

func TestADecoderAnswersOnlyInTheModesThatItKnows(t *testing.T) {
	for _, c := range []struct {
		knows []nmra.Mode
		yes   []nmra.Access
		no    []nmra.Access
	}{
		{
			knows: []nmra.Mode{nmra.Direct},
			yes:   []nmra.Access{{Mode: nmra.Direct, CV: 65, Value: 20}},
			no: []nmra.Access{{Mode: nmra.Paged, CV: 65, Value: 20}, {Mode: nmra.Registers, CV: 8, Value: 13},
				{Mode: nmra.AddressOnly, CV: 1, Value: 3}},
		}, {
			knows: []nmra.Mode{nmra.Paged},
			yes:   []nmra.Access{{Mode: nmra.Paged, CV: 65, Value: 20}, {Mode: nmra.Paged, CV: 1021, Value: 77}},
			no: []nmra.Access{{Mode: nmra.Direct, CV: 65, Value: 20}, {Mode: nmra.Registers, CV: 8, Value: 13},
				{Mode: nmra.Registers, CV: 29, Value: 6}},
		}, {
			knows: []nmra.Mode{nmra.Registers},
			yes: []nmra.Access{{Mode: nmra.Registers, CV: 1, Value: 3}, {Mode: nmra.Registers, CV: 4, Value: 9}, {Mode: nmra.Registers, CV: 29, Value: 6},
				{Mode: nmra.Registers, CV: 7, Value: 21}, {Mode: nmra.Registers, CV: 8, Value: 13}},
			no: []nmra.Access{{Mode: nmra.Paged, CV: 65, Value: 20}, {Mode: nmra.Direct, CV: 8, Value: 13}},
		}, {
			knows: []nmra.Mode{nmra.AddressOnly},
			yes:   []nmra.Access{{Mode: nmra.AddressOnly, CV: 1, Value: 3}},
			no: []nmra.Access{{Mode: nmra.Registers, CV: 2, Value: 10}, {Mode: nmra.Registers, CV: 2, Value: 3},
				{Mode: nmra.Registers, CV: 8, Value: 13}, {Mode: nmra.Direct, CV: 1, Value: 3}},
		},
	} {
		spec := plain()
		spec.Modes = c.knows
		b, _ := on(t, spec)
		for _, a := range c.yes {
			if !do(t, b, a).Acknowledged {
				t.Errorf("%v: no answer to %v", c.knows, a)
			}
		}
		for _, a := range c.no {
			if do(t, b, a).Acknowledged {
				t.Errorf("%v: an answer to %v", c.knows, a)
			}
		}
	}
}

func TestCV65IsDataRegister0OfPage17(t *testing.T) {
	spec := plain()
	spec.Modes = []nmra.Mode{nmra.Paged}
	b, _ := on(t, spec)
	page := packet(t, nmra.Instruction{Kind: nmra.RegisterWrite, Register: nmra.PageRegister, Value: 17})
	ask := packet(t, nmra.Instruction{Kind: nmra.RegisterVerify, Register: 0, Value: 20})
	play(t, b, page, page)
	// NMRA S-9.2.3 (July 2012), section E: the published example of a page.
	if got := play(t, b, ask, ask); got != 1 {
		t.Errorf("CV 65 answered %d times, want 1", got)
	}
	// The page register is a register too, and its loss of power sets it to 1 (common practice, no source).
	askPage := packet(t, nmra.Instruction{Kind: nmra.RegisterVerify, Register: nmra.PageRegister, Value: 17})
	if got := play(t, b, askPage, askPage); got != 1 {
		t.Errorf("the page register answered %d times to what it holds, want 1", got)
	}
	powerCycle(t, b)
	if got := play(t, b, askPage, askPage); got != 0 {
		t.Errorf("the page register still holds 17 after a power cycle")
	}
}

func TestBytesAndBitsAreVerifiedAndWritten(t *testing.T) {
	b, d := on(t, plain())
	if holds(t, b, 3, 13) || !holds(t, b, 3, 12) {
		t.Error("CV 3 does not answer to 12 alone")
	}
	if !write(t, b, 3, 0b1010_0101) || d.Values()[at(3)] != 0b1010_0101 {
		t.Errorf("CV 3 holds %d after a write", d.Values()[at(3)])
	}
	for bit := range uint8(8) {
		for _, set := range []bool{false, true} {
			a := nmra.Access{Operation: nmra.VerifyBit, CV: 3, Bit: bit, BitValue: set}
			if got, want := do(t, b, a).Acknowledged, (0b1010_0101>>bit&1 == 1) == set; got != want {
				t.Errorf("%v: %v, want %v", a, got, want)
			}
		}
	}
	if !do(t, b, nmra.Access{Operation: nmra.WriteBit, CV: 3, Bit: 1, BitValue: true}).Acknowledged || d.Values()[at(3)] != 0b1010_0111 {
		t.Errorf("CV 3 holds %08b after bit 1 was set", d.Values()[at(3)])
	}
	if !do(t, b, nmra.Access{Operation: nmra.WriteBit, CV: 3, Bit: 7}).Acknowledged || d.Values()[at(3)] != 0b0010_0111 {
		t.Errorf("CV 3 holds %08b after bit 7 was cleared", d.Values()[at(3)])
	}
}

func TestSpoiledOrSplitWritesLeaveTheRegisterAlone(t *testing.T) {
	b, d := on(t, plain())
	p := packet(t, nmra.Instruction{Kind: nmra.DirectWrite, CV: 3, Value: 99})
	q := packet(t, nmra.Instruction{Kind: nmra.DirectWrite, CV: 3, Value: 98})
	play(t, b, p)
	play(t, b, p, q, p, q)
	if got := d.Values()[at(3)]; got != 12 {
		t.Errorf("CV 3 holds %d, want 12", got)
	}
}

func TestQuestionsFollowEachOtherWithoutLeavingServiceMode(t *testing.T) {
	b, _ := on(t, plain())
	ask := func(value uint8, lead nmra.Lead) bool {
		return do(t, b, nmra.Access{CV: 3, Value: value, Lead: lead}).Acknowledged
	}
	// NMRA S-9.2.3 (July 2012), section E: as many verifies as wanted, with one reset or more after an acknowledgement.
	ask(0, nmra.Entry)
	for value := uint8(1); value < 12; value++ {
		if ask(value, nmra.Onward) {
			t.Errorf("CV 3 answers to %d", value)
		}
	}
	if !ask(12, nmra.Onward) || !ask(12, nmra.AfterReset) || ask(13, nmra.AfterReset) {
		t.Error("CV 3 does not answer to 12 alone")
	}
	// Without a reset between, the same question goes on: it has been answered.
	if !ask(12, nmra.Onward) || ask(12, nmra.Onward) {
		t.Error("the same question without a reset between was answered a second time, or not the first time")
	}
}
