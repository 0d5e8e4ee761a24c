package nmra

import (
	"errors"
	"fmt"
	"strings"
	"testing"
)

// play writes a sequence in one line: how often each packet is sent, its bytes, and when the station listens.
func play(s Sequence) string {
	var parts []string
	for _, step := range s {
		part := fmt.Sprintf("%d x %v", step.Times, step.Packet)
		switch step.Window {
		case AfterSecond:
			part += " from the second"
		case Listening:
			part += " listening"
		}
		parts = append(parts, part)
	}
	return strings.Join(parts, ", ")
}

func TestSequenceOfEveryMode(t *testing.T) {
	// The page register is set in the same way everywhere, and only what is set differs.
	page := func(packet string) string { return "3 x 00 00 00, 5 x " + packet + ", 6 x 00 00 00, 3 x 00 00 00, " }
	const preset = "7D 01 7C"
	for _, c := range []struct {
		access Access
		want   string
	}{
		// NMRA S-9.2.3 (July 2012), section E, direct mode: resets, 5 packets, for a write 6 of recovery.
		{Access{Mode: Direct, Operation: Verify, CV: 29, Value: 6}, "3 x 00 00 00, 5 x 74 1C 06 6E from the second"},
		{Access{Mode: Direct, Operation: Write, CV: 1024, Value: 255}, "3 x 00 00 00, 5 x 7F FF FF 7F from the second, 6 x 00 00 00 listening"},
		{Access{Mode: Direct, Operation: VerifyBit, CV: 8, Bit: 7, BitValue: true}, "3 x 00 00 00, 5 x 78 07 EF 90 from the second"},
		{Access{Mode: Direct, Operation: VerifyBit, CV: 8, Bit: 7, BitValue: false}, "3 x 00 00 00, 5 x 78 07 E7 98 from the second"},
		{Access{Mode: Direct, Operation: WriteBit, CV: 29, Bit: 5, BitValue: true}, "3 x 00 00 00, 5 x 78 1C FD 99 from the second, 6 x 00 00 00 listening"},
		// The same: as many verifies as wanted behind each other, with one reset after an acknowledgement.
		{Access{Mode: Direct, Operation: Verify, CV: 29, Value: 6, Lead: AfterReset}, "1 x 00 00 00, 5 x 74 1C 06 6E from the second"},
		{Access{Mode: Direct, Operation: VerifyBit, CV: 8, Bit: 7, Lead: Onward}, "5 x 78 07 E7 98 from the second"},
		// Twice what the standard asks for, for a decoder that does not keep up.
		{Access{Mode: Direct, Operation: Write, CV: 1024, Value: 255, Pace: Slow}, "6 x 00 00 00, 10 x 7F FF FF 7F from the second, 12 x 00 00 00 listening"},
		// NMRA S-9.2.3 (July 2012), section E, paged mode: CV 65 is page 17, data register 0.
		{Access{Mode: Paged, Operation: Verify, CV: 65, Value: 3}, page("7D 11 6C") + "5 x 70 03 73 from the second"},
		{Access{Mode: Paged, Operation: Write, CV: 65, Value: 3}, page("7D 11 6C") + "5 x 78 03 7B from the second, 6 x 00 00 00 listening"},
		{Access{Mode: Paged, Operation: Write, CV: 1, Value: 3}, page(preset) + "5 x 78 03 7B from the second, 6 x 00 00 00 listening"},
		// Eight bits of page register: page 256 is sent as 0 (from memory).
		{Access{Mode: Paged, Operation: Write, CV: 1024, Value: 9}, page("7D 00 7D") + "5 x 7B 09 72 from the second, 6 x 00 00 00 listening"},
		// NMRA S-9.2.3 (July 2012), section E, register mode: 7 verifies; 5 writes, 6 of recovery, 10 for register 1.
		{Access{Mode: Registers, Operation: Verify, CV: 8, Value: 13}, page(preset) + "7 x 77 0D 7A from the second"},
		{Access{Mode: Registers, Operation: Verify, CV: 1, Value: 3}, page(preset) + "7 x 70 03 73 from the second"},
		{Access{Mode: Registers, Operation: Write, CV: 29, Value: 6}, page(preset) + "5 x 7C 06 7A from the second, 6 x 00 00 00 listening"},
		{Access{Mode: Registers, Operation: Write, CV: 1, Value: 3}, page(preset) + "5 x 78 03 7B from the second, 10 x 00 00 00 listening"},
		// NMRA S-9.2.3 (July 2012), section E, factory reset: 01111111 00001000 01110111 as a register write.
		{Access{Mode: Registers, Operation: Write, CV: 8, Value: 8}, page(preset) + "5 x 7F 08 77 from the second, 6 x 00 00 00 listening"},
		// NMRA S-9.2.3 (July 2012), section E, address only: page preset first, 5 packets, for a write 10 of recovery.
		{Access{Mode: AddressOnly, Operation: Verify, CV: 1, Value: 3}, page(preset) + "5 x 70 03 73 from the second"},
		{Access{Mode: AddressOnly, Operation: Write, CV: 1, Value: 127}, page(preset) + "5 x 78 7F 07 from the second, 10 x 00 00 00 listening"},
	} {
		s, err := c.access.Sequence()
		if got := play(s); err != nil || got != c.want {
			t.Errorf("%v:\n got %s, %v\nwant %s", c.access, got, err, c.want)
		}
	}
}

func TestOnlyVerifiesInDirectModeFollowEachOtherWithoutTheirResets(t *testing.T) {
	for _, mode := range Modes {
		for _, operation := range []Operation{Verify, Write} {
			for _, lead := range []Lead{AfterReset, Onward} {
				a := Access{Mode: mode, Operation: operation, CV: 1, Value: 3, Lead: lead}
				_, err := a.Sequence()
				// NMRA S-9.2.3 (July 2012), section E: only there may verifies follow each other.
				if may := mode == Direct && operation == Verify; may != (err == nil) || err != nil && !errors.Is(err, ErrNotInMode) {
					t.Errorf("%v, lead %d: error %v", a, lead, err)
				}
			}
		}
	}
}

func TestPowerOnPlaysTwentyPackets(t *testing.T) {
	// NMRA S-9.2.3 (July 2012), section D: at least 20 packets before anything else.
	if got, want := play(PowerOn()), "20 x 00 00 00"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

func TestAcknowledgementShortensOnlyTheAskingAndTheRecovery(t *testing.T) {
	for _, mode := range Modes {
		for _, operation := range []Operation{Verify, Write} {
			s, err := Access{Mode: mode, Operation: operation, CV: 1, Value: 3}.Sequence()
			if err != nil {
				t.Fatal(err)
			}
			for n, step := range s {
				// NMRA S-9.2.3 (July 2012), section E: nothing is done before two packets are the same.
				least := map[Window]int{Deaf: step.Times, AfterSecond: 2, Listening: 1}[step.Window]
				if step.Least != least {
					t.Errorf("%v, %d, step %d: at least %d times, want %d", mode, operation, n, step.Least, least)
				}
			}
		}
	}
}

func TestAirtimeOfSequences(t *testing.T) {
	// Halves of 58 and 100 us (NMRA S-9.1, 2020), added up by hand from the ones and zeros of each packet behind 20 ones:
	// 00 00 00 has 21 and 27; 74 07 0D 7E 37 and 20; 7D 01 7C 33 and 15; 77 0D 7A 35 and 13; 78 03 7B 33 and 15.
	const (
		reset  = 42*58 + 54*100
		verify = 74*58 + 40*100
		preset = 66*58 + 30*100
		ask    = 70*58 + 26*100
		write  = 66*58 + 30*100
		page   = 12*reset + 5*preset
	)
	for _, c := range []struct {
		access       Access
		microseconds int64
	}{
		{Access{Mode: Direct, Operation: Verify, CV: 8, Value: 13}, 3*reset + 5*verify},
		{Access{Mode: Registers, Operation: Verify, CV: 8, Value: 13}, page + 7*ask},
		{Access{Mode: Registers, Operation: Write, CV: 1, Value: 3}, page + 5*write + 10*reset},
		{Access{Mode: Paged, Operation: Write, CV: 1, Value: 3}, page + 5*write + 6*reset},
		{Access{Mode: AddressOnly, Operation: Write, CV: 1, Value: 3}, page + 5*write + 10*reset},
	} {
		s, err := c.access.Sequence()
		if got := s.Airtime().Microseconds(); err != nil || got != c.microseconds {
			t.Errorf("%v: %d us, %v, want %d", c.access, got, err, c.microseconds)
		}
	}
}

func TestRegisterOfEveryCV(t *testing.T) {
	for cv := CV(1); cv <= MaxCV; cv++ {
		register, page, ok := Paged.Register(cv)
		// NMRA S-9.2.3 (July 2012), section E: CV = (page - 1) x 4 + data register + 1. Page 256 is written as 0.
		number := int(page)
		if number == 0 {
			number = 256
		}
		if !ok || register > 3 || (number-1)*4+int(register)+1 != int(cv) {
			t.Fatalf("CV %d: page %d, data register %d", cv, page, register)
		}
	}
	// NMRA S-9.2.3 (July 2012), section E: registers 0 to 7 are CV 1, 2, 3, 4, 29, the page register, 7, 8.
	want := map[CV]uint8{1: 0, 2: 1, 3: 2, 4: 3, 29: 4, 7: 6, 8: 7}
	for cv := CV(0); cv <= MaxCV+1; cv++ {
		number, known := want[cv]
		if register, page, ok := Registers.Register(cv); ok != known || register != number || ok && page != 1 {
			t.Errorf("register mode, CV %d: register %d, page %d, %v", cv, register, page, ok)
		}
		if register, page, ok := AddressOnly.Register(cv); ok != (cv == 1) || register != 0 || ok && page != 1 {
			t.Errorf("address only, CV %d: register %d, page %d, %v", cv, register, page, ok)
		}
		if _, _, ok := Direct.Register(cv); ok {
			t.Errorf("direct mode, CV %d: it has no registers", cv)
		}
	}
}

func TestAccessThatNoPacketCanSay(t *testing.T) {
	for _, a := range []Access{
		{Mode: Paged, Operation: VerifyBit, CV: 29},
		{Mode: Registers, Operation: WriteBit, CV: 29},
		{Mode: Registers, Operation: Verify, CV: 5},
		{Mode: AddressOnly, Operation: Write, CV: 2, Value: 1},
		{Mode: Paged, Operation: WriteBit + 1, CV: 1},
		{Mode: Direct, Operation: WriteBit + 1, CV: 1},
		{Mode: AddressOnly + 1, Operation: Verify, CV: 1},
	} {
		if s, err := a.Sequence(); !errors.Is(err, ErrNotInMode) || s != nil {
			t.Errorf("%v: %s, %v, want ErrNotInMode", a, play(s), err)
		}
	}
	for _, a := range []Access{
		{Mode: Direct, Operation: Verify, CV: 0},
		{Mode: Direct, Operation: Verify, CV: 1025},
		{Mode: Paged, Operation: Verify, CV: 1025},
		{Mode: Direct, Operation: WriteBit, CV: 29, Bit: 8},
		// NMRA S-9.2.3 (July 2012), section E, address only: 0DDDDDDD; S-9.2.2 (July 2012), CV 1: 1 to 127.
		{Mode: AddressOnly, Operation: Write, CV: 1, Value: 0},
		{Mode: AddressOnly, Operation: Write, CV: 1, Value: 128},
	} {
		if s, err := a.Sequence(); err == nil || errors.Is(err, ErrNotInMode) || s != nil {
			t.Errorf("%v: %s, %v, want an error of range", a, play(s), err)
		}
	}
}

func TestSentencesOfService(t *testing.T) {
	for _, c := range []struct {
		said fmt.Stringer
		want string
	}{
		{Access{Mode: Direct, Operation: Verify, CV: 29, Value: 6}, "direct: is CV 29 equal to 6?"},
		{Access{Mode: Paged, Operation: Write, CV: 29, Value: 6}, "paged: set CV 29 to 6"},
		{Access{Mode: Direct, Operation: VerifyBit, CV: 8, Bit: 7, BitValue: true}, "direct: is bit 7 of CV 8 equal to 1?"},
		{Access{Mode: Direct, Operation: WriteBit, CV: 29, Bit: 5, BitValue: false}, "direct: set bit 5 of CV 29 to 0"},
		{PagePreset(), "service mode: set physical register 6, the page register, to 1"},
		{FactoryReset(), "service mode: set physical register 8, the maker's number, to 8"},
		{Instruction{Kind: RegisterVerify, Value: 3}, "service mode: is physical register 1 equal to 3?"},
		{Instruction{Kind: DirectWrite, CV: 29, Value: 6}, "service mode: set CV 29 to 6"},
		{Reset(), "all decoders: reset"},
	} {
		if got := c.said.String(); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}
