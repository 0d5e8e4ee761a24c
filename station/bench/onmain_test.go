package bench

import (
	"context"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"fettle/nmra"
)

func short(n uint16) nmra.Address { return nmra.Address{Kind: nmra.Short, Number: n} }
func long(n uint16) nmra.Address  { return nmra.Address{Kind: nmra.Long, Number: n} }

func setOnMain(a nmra.Address, n nmra.CV, value uint8) nmra.Instruction {
	return nmra.Instruction{Kind: nmra.MainWrite, Address: a, CV: n, Value: value}
}

// drive plays packets as on the main.
func drive(t *testing.T, b *Bench, instructions ...nmra.Instruction) {
	t.Helper()
	var packets []nmra.Packet
	for _, i := range instructions {
		packets = append(packets, packet(t, i))
	}
	playBehind(t, b, nmra.Preamble, append([]nmra.Packet{idle}, packets...)...)
}

func TestOnTheMainAWriteTakesTwoIdenticalPacketsWithNoOtherToTheDecoderBetween(t *testing.T) {
	set := setOnMain(short(3), 3, 99)
	for _, c := range []struct {
		name    string
		packets []nmra.Instruction
		want    uint8
	}{
		// NMRA S-9.2.1 (July 2012), configuration variable access.
		{"one packet", []nmra.Instruction{set}, 12},
		{"two packets", []nmra.Instruction{set, set}, 99},
		{"a speed to the decoder between", []nmra.Instruction{set, {Kind: nmra.Stop, Address: short(3), Steps: nmra.Steps28}, set}, 12},
		{"a reset to all between", []nmra.Instruction{set, nmra.Reset(), set}, 12},
		{"a speed to another decoder between", []nmra.Instruction{set, {Kind: nmra.Stop, Address: short(4), Steps: nmra.Steps28}, set}, 99},
		{"an idle packet between", []nmra.Instruction{set, {Kind: nmra.Idle}, set}, 99},
		{"another value between", []nmra.Instruction{set, setOnMain(short(3), 3, 98), set}, 12},
	} {
		b, d := on(t, plain())
		drive(t, b, c.packets...)
		if got := d.Values()[at(3)]; got != c.want {
			t.Errorf("%s: CV 3 holds %d, want %d", c.name, got, c.want)
		}
	}
}

func TestADecoderObeysTheAddressInUseAlone(t *testing.T) {
	for _, c := range []struct {
		name       string
		cv29, cv19 uint8
		to         nmra.Address
		obeys      bool
	}{
		// NMRA S-9.2.2 (July 2012), CV 1, 17, 18, 19 and 29.
		{name: "its short address", to: short(3), obeys: true},
		{name: "another short address", to: short(4)},
		{name: "its long address, not in use", to: long(4203)},
		{name: "its long address", cv29: 1 << 5, to: long(4203), obeys: true},
		{name: "another long address", cv29: 1 << 5, to: long(4204)},
		{name: "its short address, not in use", cv29: 1 << 5, to: short(3)},
		{name: "its consist", cv29: 1 << 5, cv19: 0x80 | 9, to: short(9), obeys: true},
		{name: "no consist", cv29: 1 << 5, to: short(9)},
		{name: "all decoders", to: nmra.Address{}, obeys: true},
	} {
		spec := plain()
		spec.Registers[at(29)], spec.Registers[at(19)] = c.cv29, c.cv19
		spec.Registers[at(17)], spec.Registers[at(18)] = 208, 107 // 4203
		b, d := on(t, spec)
		set := setOnMain(c.to, 3, 99)
		drive(t, b, set, set)
		if got := d.Values()[at(3)] == 99; got != c.obeys {
			t.Errorf("%s: obeys %v, want %v", c.name, got, c.obeys)
		}
	}
}

func TestOnTheMainBitsAndTheShortFormWriteToo(t *testing.T) {
	b, d := on(t, plain())
	bit := nmra.Instruction{Kind: nmra.MainWriteBit, Address: short(3), CV: 29, Bit: 0, BitValue: true}
	// NMRA S-9.2.1 (July 2012): the short form reaches CV 23 and CV 24.
	trim := nmra.Instruction{Kind: nmra.MainWriteShort, Address: short(3), CV: 23, Value: 130}
	drive(t, b, bit, bit, trim, trim)
	if got := d.Values(); got[at(29)] != 7 || got[at(23)] != 130 {
		t.Errorf("CV 29 and 23 hold %d and %d, want 7 and 130", got[at(29)], got[at(23)])
	}
}

func TestAHardResetPutsBackHowTheDecoderIsAddressedAndRead(t *testing.T) {
	spec := plain()
	spec.Registers[at(31)], spec.Registers[at(32)] = 16, 1
	b, d := on(t, spec)
	write(t, b, 29, 7)
	write(t, b, 31, 17)
	write(t, b, 32, 2)
	write(t, b, 19, 9)
	write(t, b, 4, 99)
	drive(t, b, nmra.Instruction{Kind: nmra.DecoderReset, Address: short(3)})
	if got := d.Values()[at(29)]; got != 7 {
		t.Errorf("a reset that is not hard set CV 29 to %d", got)
	}
	drive(t, b, nmra.Instruction{Kind: nmra.HardReset, Address: short(3)})
	// NMRA S-9.2.1, decoder control (from memory): CV 29, 31 and 32 as its maker had them, CV 19 to 0.
	if got := d.Values(); got[at(29)] != 6 || got[at(31)] != 16 || got[at(32)] != 1 || got[at(19)] != 0 || got[at(4)] != 99 {
		t.Errorf("CV 29, 31, 32, 19 and 4 hold %d, %d, %d, %d and %d; want 6, 16, 1, 0 and 99",
			got[at(29)], got[at(31)], got[at(32)], got[at(19)], got[at(4)])
	}
}

func TestTheChoiceOfAddressAndAConsistAreKeptInTheirRegisters(t *testing.T) {
	b, d := on(t, plain())
	drive(t, b, nmra.Instruction{Kind: nmra.SetConsist, Address: short(3), Consist: 9})
	// NMRA S-9.2.2 (July 2012), CV 19: bit 7 runs reversed.
	if got := d.Values()[at(19)]; got != 137 {
		t.Errorf("CV 19 holds %d, want 137", got)
	}
	drive(t, b, nmra.Instruction{Kind: nmra.ExtendedAddressing, Address: short(3), On: true})
	// NMRA S-9.2.1 (July 2012), decoder control: bit 5 of CV 29.
	if got := d.Values()[at(29)]; got != 6|1<<5 {
		t.Errorf("CV 29 holds %08b, want 00100110", got)
	}
}

func TestWhatDrivesAVehicleChangesNoRegister(t *testing.T) {
	kinds := []nmra.Kind{nmra.Idle, nmra.DecoderReset, nmra.AcknowledgeRequest, nmra.Stop, nmra.EmergencyStop, nmra.Speed, nmra.RestrictedSpeed,
		nmra.AnalogueFunction, nmra.Functions, nmra.BinaryStateShort, nmra.BinaryStateLong, nmra.MainVerify, nmra.MainVerifyBit, nmra.AddressQuery,
		nmra.AccessoryOutput, nmra.AccessoryAspect}
	tried := map[nmra.Kind]bool{}
	rapid.Check(t, func(rt *rapid.T) {
		spec := plain()
		d := spec.New(1)
		b := New(d)
		powerOn(t, b)
		var packets []nmra.Packet
		for range rapid.IntRange(1, 8).Draw(rt, "packets") {
			body := rapid.SliceOfN(rapid.Byte(), 2, 5).Draw(rt, "bytes")
			if rapid.Bool().Draw(rt, "to us") {
				body[0] = 3
			}
			check := byte(0)
			for _, x := range body {
				check ^= x
			}
			p := raw(t, append(body, check)...)
			i, err := p.Instruction(nmra.MainTrack)
			if err != nil || !slices.Contains(kinds, i.Kind) {
				continue
			}
			tried[i.Kind] = true
			packets = append(packets, p, p)
		}
		playBehind(t, b, nmra.Preamble, append([]nmra.Packet{idle}, packets...)...)
		if diff := cmp.Diff(spec.Registers, d.Values()); diff != "" {
			rt.Fatalf("(-before +after)\n%s", diff)
		}
	})
	if len(tried) < 5 {
		t.Errorf("only %d kinds of instruction were tried", len(tried))
	}
}

func TestSendKeepsThePacketsToADecoderApartAndGivesItsMemoryTime(t *testing.T) {
	b, d := on(t, plain())
	began := b.Now()
	p := packet(t, setOnMain(short(3), 3, 99))
	if err := b.Send(context.Background(), p, 2); err != nil {
		t.Fatal(err)
	}
	// NMRA S-9.2 (July 2004), section C: 5 ms from the end of a packet to the start of the next one to the same decoder.
	if got := nmra.ApartPreamble * nmra.BitTime(true); got < 5e6 {
		t.Errorf("%v between two packets, want at least 5 ms", got)
	}
	if got, least := b.Now()-began, 2*p.Airtime(nmra.ApartPreamble)+settling; got < least {
		t.Errorf("sending took %v, want at least %v", got, least)
	}
	if err := b.Close(); err != nil || d.Values()[at(3)] != 99 {
		t.Errorf("CV 3 holds %d after the track was turned off (%v), want 99", d.Values()[at(3)], err)
	}
}

func TestADecoderNeedsTenOnesBeforeAPacket(t *testing.T) {
	// NMRA S-9.2 (July 2004), section D: fewer than 10 preamble bits are no preamble. The end bit before them counts as one.
	for ones, want := range map[int]uint8{8: 12, 10: 99, 12: 99} {
		b, d := on(t, plain())
		p := packet(t, setOnMain(short(3), 3, 99))
		playBehind(t, b, ones, p, p)
		if got := d.Values()[at(3)]; got != want {
			t.Errorf("behind %d ones: CV 3 holds %d, want %d", ones, got, want)
		}
	}
}
