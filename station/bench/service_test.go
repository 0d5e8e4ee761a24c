package bench

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"fettle/nmra"
	"fettle/nmra/cv"
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
		if spec.Rest.Current > mostCurrent {
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
		if spec.Rest.Current > mostCurrent {
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
			no:    []nmra.Access{{Mode: nmra.Paged, CV: 65, Value: 20}, {Mode: nmra.Registers, CV: 8, Value: 13}, {Mode: nmra.AddressOnly, CV: 1, Value: 3}},
		}, {
			knows: []nmra.Mode{nmra.Paged},
			yes:   []nmra.Access{{Mode: nmra.Paged, CV: 65, Value: 20}, {Mode: nmra.Paged, CV: 1021, Value: 77}},
			no:    []nmra.Access{{Mode: nmra.Direct, CV: 65, Value: 20}, {Mode: nmra.Registers, CV: 8, Value: 13}, {Mode: nmra.Registers, CV: 29, Value: 6}},
		}, {
			knows: []nmra.Mode{nmra.Registers},
			yes: []nmra.Access{{Mode: nmra.Registers, CV: 1, Value: 3}, {Mode: nmra.Registers, CV: 4, Value: 9}, {Mode: nmra.Registers, CV: 29, Value: 6},
				{Mode: nmra.Registers, CV: 7, Value: 21}, {Mode: nmra.Registers, CV: 8, Value: 13}},
			no: []nmra.Access{{Mode: nmra.Paged, CV: 65, Value: 20}, {Mode: nmra.Direct, CV: 8, Value: 13}},
		}, {
			knows: []nmra.Mode{nmra.AddressOnly},
			yes:   []nmra.Access{{Mode: nmra.AddressOnly, CV: 1, Value: 3}},
			no:    []nmra.Access{{Mode: nmra.Registers, CV: 2, Value: 10}, {Mode: nmra.Registers, CV: 2, Value: 3}, {Mode: nmra.Registers, CV: 8, Value: 13}, {Mode: nmra.Direct, CV: 1, Value: 3}},
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

func TestAFactoryResetTakesItsPowerCyclesAndHoldsCV8At255(t *testing.T) {
	spec := plain()
	spec.PowerCycles = 2
	b, d := on(t, spec)
	write(t, b, 3, 99)
	write(t, b, 1, 44)
	// NMRA S-9.2.3 (July 2012), section E: the published packet, sent as a register write.
	published := raw(t, 0x7F, 0x08, 0x77)
	if got := play(t, b, published, published); got != 1 {
		t.Fatalf("acknowledged %d times, want 1", got)
	}
	for cycle := range 2 {
		// NMRA S-9.2.3 (July 2012), section E: CV 8 reads 255 until the reset is complete.
		if !holds(t, b, 8, 255) || holds(t, b, 8, 13) {
			t.Errorf("CV 8 is not 255 after %d power cycles", cycle)
		}
		if d.Values()[at(3)] != 99 {
			t.Errorf("CV 3 was reset after %d power cycles, want after 2", cycle)
		}
		powerCycle(t, b)
	}
	if diff := cmp.Diff(spec.Registers, d.Values()); diff != "" {
		t.Errorf("after the reset (-file +decoder)\n%s", diff)
	}
	if !holds(t, b, 8, 13) {
		t.Error("CV 8 is not 13 again")
	}
}

func TestAFactoryResetIsAskedForInAnyMode(t *testing.T) {
	for _, mode := range []nmra.Mode{nmra.Direct, nmra.Paged, nmra.Registers} {
		b, d := on(t, plain())
		write(t, b, 3, 99)
		if !do(t, b, nmra.Access{Mode: mode, Operation: nmra.Write, CV: 8, Value: 8}).Acknowledged {
			t.Errorf("%v: not acknowledged", mode)
		}
		powerCycle(t, b)
		if got := d.Values()[at(3)]; got != 12 {
			t.Errorf("%v: CV 3 holds %d, want 12", mode, got)
		}
	}
}

func TestWritingCV1ByAnyMethodClearsBit5OfCV29AndCV19(t *testing.T) {
	for _, mode := range nmra.Modes {
		b, d := on(t, plain())
		write(t, b, 29, 0b0010_0110)
		write(t, b, 19, 130)
		if !do(t, b, nmra.Access{Mode: mode, Operation: nmra.Write, CV: 1, Value: 44}).Acknowledged {
			t.Errorf("%v: not acknowledged", mode)
		}
		// NMRA S-9.2.3 (July 2012), section E.
		if got := d.Values(); got[at(1)] != 44 || got[at(29)] != 0b0000_0110 || got[at(19)] != 0 {
			t.Errorf("%v: CV 1, 29 and 19 hold %d, %08b and %d; want 44, 00000110 and 0", mode, got[at(1)], got[at(29)], got[at(19)])
		}
	}
}

func TestWritesAreObeyedOnlyWhileCV15EqualsCV16(t *testing.T) {
	spec := plain()
	spec.Registers[at(15)], spec.Registers[at(16)] = 0, 0
	b, d := on(t, spec)
	if !write(t, b, 16, 7) {
		t.Fatal("CV 16 could not be written while the lock was open")
	}
	// NMRA S-9.2.2 (July 2012), CV 15 and 16.
	if write(t, b, 3, 99) || write(t, b, 16, 0) || write(t, b, 8, 8) || d.Values()[at(3)] != 12 {
		t.Error("a locked decoder obeyed a write")
	}
	if !holds(t, b, 3, 12) {
		t.Error("a locked decoder does not answer a verify")
	}
	if !write(t, b, 15, 9) || !write(t, b, 15, 7) {
		t.Error("CV 15 of a locked decoder can't be written")
	}
	if !write(t, b, 3, 99) || d.Values()[at(3)] != 99 {
		t.Error("the lock is open, but a write was not obeyed")
	}
}

func TestCV17TakesEffectWhenCV18IsWritten(t *testing.T) {
	b, d := on(t, plain())
	if !write(t, b, 17, 208) || !holds(t, b, 17, 208) {
		t.Error("CV 17 does not answer to what was written to it")
	}
	powerCycle(t, b)
	if !holds(t, b, 17, 192) {
		t.Error("CV 17 took effect without CV 18")
	}
	write(t, b, 17, 208)
	write(t, b, 18, 107)
	powerCycle(t, b)
	// NMRA S-9.2.2 (July 2012), CV 17 and 18.
	if got := d.Values(); got[at(17)] != 208 || got[at(18)] != 107 {
		t.Errorf("CV 17 and 18 hold %d and %d, want 208 and 107", got[at(17)], got[at(18)])
	}
}

func TestCV31And32ChooseWhatStandsBehind257To512(t *testing.T) {
	spec := plain()
	page := func(high, low uint8) cv.Register { return cv.Register{CV: 260, Page: cv.Page{High: high, Low: low}} }
	for r, v := range map[cv.Register]uint8{at(31): 0, at(32): 0, at(257): 5, page(16, 0): 60, page(16, 3): 63, page(17, 0): 70, at(512): 1} {
		spec.Registers[r] = v
	}
	b, d := on(t, spec)
	choose := func(high, low uint8) {
		write(t, b, 31, high)
		write(t, b, 32, low)
	}
	for _, c := range []struct{ high, low, value uint8 }{{16, 0, 60}, {16, 3, 63}, {17, 0, 70}} {
		choose(c.high, c.low)
		if !holds(t, b, 260, c.value) || holds(t, b, 257, 5) {
			t.Errorf("page %d.%d: not the page's registers answer", c.high, c.low)
		}
	}
	choose(16, 3)
	if !write(t, b, 260, 99) || d.Values()[page(16, 3)] != 99 || d.Values()[page(16, 0)] != 60 {
		t.Error("a write to 260@16.3 did not change that register alone")
	}
	choose(18, 0)
	if holds(t, b, 260, 0) || write(t, b, 260, 1) {
		t.Error("a register answers on a page that the decoder has not")
	}
	// NMRA S-9.2.2 (July 2012), CV 31: 0 to 15 are reserved.
	choose(15, 0)
	if holds(t, b, 260, 60) || !holds(t, b, 257, 5) || !holds(t, b, 512, 1) {
		t.Error("with CV 31 = 15 the registers on no page do not answer")
	}
}

func TestARegisterKeepsToItsLimits(t *testing.T) {
	spec := plain()
	spec.ReadOnly = map[cv.Register]bool{at(2): true}
	spec.Mask = map[cv.Register]uint8{at(29): 0b0010_0111}
	spec.Clamp = map[cv.Register]Range{at(4): {5, 180}}
	spec.Changing = map[cv.Register]bool{at(65): true}
	b, d := on(t, spec)
	for _, c := range []struct {
		name         string
		n            nmra.CV
		value        uint8
		acknowledged bool
		want         uint8
	}{
		{"read only", 2, 99, false, 10},
		{"the version", 7, 99, false, 21},
		{"the maker's number", 8, 99, false, 13},
		{"masked", 29, 0xFF, true, 0b0010_0111},
		{"masked", 29, 0x00, true, 0},
		{"clamped above", 4, 255, true, 180},
		{"clamped below", 4, 0, true, 5},
		{"within", 4, 100, true, 100},
	} {
		if got := write(t, b, c.n, c.value); got != c.acknowledged || d.Values()[at(c.n)] != c.want {
			t.Errorf("%s: CV %d = %d: acknowledged %v, holds %d; want %v, %d", c.name, c.n, c.value, got, d.Values()[at(c.n)], c.acknowledged, c.want)
		}
	}
	if write(t, b, 200, 1) || holds(t, b, 200, 0) {
		t.Error("an absent register answers")
	}
	if write(t, b, 65, 1) {
		t.Error("a register that changes by itself was written")
	}
	before := d.Values()[at(65)]
	silence(b, 2*changingEvery)
	if got := d.Values()[at(65)] - before; got != 2 {
		t.Errorf("a changing register went up by %d in %v, want 2", got, 2*changingEvery)
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

func TestAWriteThatComesWhileAnotherIsOnItsWayIsNotObeyed(t *testing.T) {
	spec := plain()
	spec.WriteTime = 200 * time.Millisecond // longer than an access
	b, d := on(t, spec)
	if write(t, b, 3, 99) || write(t, b, 4, 98) {
		t.Error("acknowledged before the memory was updated")
	}
	silence(b, spec.WriteTime)
	if got := d.Values(); got[at(3)] != 99 || got[at(4)] != 9 {
		t.Errorf("CV 3 and 4 hold %d and %d, want 99 and 9", got[at(3)], got[at(4)])
	}
}
