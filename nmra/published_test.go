package nmra

import (
	"strconv"
	"strings"
	"testing"
)

// wire is the packet whose bits, without the check byte, are written as the standards write them.
func wire(t *testing.T, bits string) Packet {
	t.Helper()
	var b []byte
	for _, word := range strings.Fields(bits) {
		x, err := strconv.ParseUint(word, 2, 8)
		if err != nil || len(word) != 8 {
			t.Fatalf("%q: want bytes of eight bits", bits)
		}
		b = append(b, byte(x))
	}
	var check byte
	for _, x := range b {
		check ^= x
	}
	p, err := NewPacket(append(b, check)...)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// both holds an instruction against a packet, in both directions.
func both(t *testing.T, i Instruction, want Packet) {
	t.Helper()
	if got, err := i.Encode(); err != nil || got != want {
		t.Errorf("%v: sent as %v, %v, want %v", i, got, err, want)
	}
	if got, err := want.Instruction(trackOf(i)); err != nil || got != i {
		t.Errorf("%v: read as %+v, %v, want %+v", want, got, err, i)
	}
}

func TestPublishedPacketOfAddress55(t *testing.T) {
	i := Instruction{Kind: Speed, Address: Address{Short, 55}, Steps: Steps28, Step: 6, Forward: true}
	p, err := i.Encode()
	if err != nil {
		t.Fatal(err)
	}
	// NMRA S-9.2 (July 2004), the figure of a transmitted packet.
	if got, want := p.BitString(12), "111111111111 0 00110111 0 01110100 0 01000011 1"; got != want {
		t.Errorf("bits %s, want %s", got, want)
	}
	if got, want := p.String(), "37 74 43"; got != want {
		t.Errorf("bytes %s, want %s", got, want)
	}
}

func TestPublishedPacketsAreWholeWithTheirCheckByte(t *testing.T) {
	for _, c := range []struct {
		i    Instruction
		want string
	}{
		// NMRA S-9.2 (July 2004), the reset packet.
		{Reset(), "00 00 00"},
		// NMRA S-9.2 (July 2004), the idle packet.
		{Instruction{Kind: Idle}, "FF 00 FF"},
		// NMRA S-9.2.3 (July 2012), section E, page preset.
		{PagePreset(), "7D 01 7C"},
		// NMRA S-9.2.3 (July 2012), section E, factory reset.
		{FactoryReset(), "7F 08 77"},
	} {
		p, err := c.i.Encode()
		if err != nil || p.String() != c.want {
			t.Errorf("%v: sent as %v, %v, want %s", c.i, p, err, c.want)
		}
		both(t, c.i, p)
	}
}

func TestCodesOf28Steps(t *testing.T) {
	at55 := func(kind Kind, step uint8, ignore bool) Instruction {
		return Instruction{Kind: kind, Address: Address{Short, 55}, Steps: Steps28, Step: step, IgnoreDirection: ignore}
	}
	for _, c := range []struct {
		i    Instruction
		code string
	}{
		// NMRA S-9.2 (July 2004), section B, the table of speed steps.
		{at55(Stop, 0, false), "00000"},
		{at55(Stop, 0, true), "10000"},
		{at55(EmergencyStop, 0, false), "00001"},
		{at55(EmergencyStop, 0, true), "10001"},
		{at55(Speed, 1, false), "00010"},
		{at55(Speed, 2, false), "10010"},
		{at55(Speed, 3, false), "00011"},
		{at55(Speed, 27, false), "01111"},
		{at55(Speed, 28, false), "11111"},
	} {
		both(t, c.i, wire(t, "00110111 010"+c.code))
		c.i.Forward = true
		both(t, c.i, wire(t, "00110111 011"+c.code))
	}
}

func TestBroadcastStop(t *testing.T) {
	for _, c := range []struct {
		i    Instruction
		bits string
	}{
		// NMRA S-9.2 (July 2004), broadcast stop 00000000 01DC000S.
		{Instruction{Kind: Stop}, "00000000 01000000"},
		{Instruction{Kind: Stop, Forward: true}, "00000000 01100000"},
		{Instruction{Kind: Stop, IgnoreDirection: true}, "00000000 01010000"},
		{Instruction{Kind: EmergencyStop}, "00000000 01000001"},
		{Instruction{Kind: EmergencyStop, Forward: true, IgnoreDirection: true}, "00000000 01110001"},
	} {
		c.i.Steps = Steps28
		want := wire(t, c.bits)
		both(t, c.i, want)
		if got, err := want.Instruction(MainTrack14); err != nil || got != c.i {
			t.Errorf("%v, by a decoder set to 14 steps: read as %+v, %v, want %+v", want, got, err, c.i)
		}
	}
}

func TestLayoutOfEveryInstruction(t *testing.T) {
	short, long := Address{Short, 3}, Address{Long, 4203}
	const at3, at4203 = "00000011 ", "11010000 01101011 " // 4203 is 16 x 256 + 107
	for _, c := range []struct {
		i    Instruction
		bits string
	}{
		// NMRA S-9.2.1 (July 2012), decoder control 0000CCCF.
		{Instruction{Kind: DecoderReset, Address: short}, at3 + "00000000"},
		{Instruction{Kind: HardReset, Address: short}, at3 + "00000001"},
		{Instruction{Kind: HardReset}, "00000000 00000001"},
		{Instruction{Kind: ExtendedAddressing, Address: short}, at3 + "00001010"},
		{Instruction{Kind: ExtendedAddressing, Address: long, On: true}, at4203 + "00001011"},
		{Instruction{Kind: AcknowledgeRequest, Address: short}, at3 + "00001110"},
		{Instruction{Kind: AcknowledgeRequest, Address: short, On: true}, at3 + "00001111"},
		// NMRA S-9.2.1 (July 2012), consist control 0001CCCC 0AAAAAAA.
		{Instruction{Kind: SetConsist, Address: short, Consist: 100, Forward: true}, at3 + "00010010 01100100"},
		{Instruction{Kind: SetConsist, Address: long, Consist: 127}, at4203 + "00010011 01111111"},
		{Instruction{Kind: SetConsist, Address: short, Forward: true}, at3 + "00010010 00000000"},
		// NMRA S-9.2.1 (July 2012), 128 steps 00111111 DSSSSSSS.
		{Instruction{Kind: Stop, Address: short, Steps: Steps128}, at3 + "00111111 00000000"},
		{Instruction{Kind: EmergencyStop, Address: short, Steps: Steps128, Forward: true}, at3 + "00111111 10000001"},
		{Instruction{Kind: Speed, Address: short, Steps: Steps128, Step: 1}, at3 + "00111111 00000010"},
		{Instruction{Kind: Speed, Address: long, Steps: Steps128, Step: 126, Forward: true}, at4203 + "00111111 11111111"},
		// NMRA S-9.2.1 (July 2012), restricted speed 00111110; the data byte is from memory.
		{Instruction{Kind: RestrictedSpeed, Address: short, On: true, Step: 6}, at3 + "00111110 10010100"},
		{Instruction{Kind: RestrictedSpeed, Address: short}, at3 + "00111110 00000000"},
		// NMRA S-9.2.1 (July 2012), analogue function 00111101 VVVVVVVV DDDDDDDD.
		{Instruction{Kind: AnalogueFunction, Address: short, Output: 1, Value: 200}, at3 + "00111101 00000001 11001000"},
		// NMRA S-9.2 (July 2004), 14 steps: bit 4 is the light.
		{Instruction{Kind: Stop, Address: short, Steps: Steps14}, at3 + "01000000"},
		{Instruction{Kind: EmergencyStop, Address: short, Steps: Steps14, Light: true}, at3 + "01010001"},
		{Instruction{Kind: Speed, Address: short, Steps: Steps14, Step: 1, Forward: true, Light: true}, at3 + "01110010"},
		{Instruction{Kind: Speed, Address: long, Steps: Steps14, Step: 14}, at4203 + "01001111"},
		// NMRA S-9.2.1 (July 2012), functions: F0 in bit 4, F4 to F1 in bits 3 to 0.
		{Instruction{Kind: Functions, Address: short, Group: F0toF4, States: 0b00001}, at3 + "10010000"},
		{Instruction{Kind: Functions, Address: short, Group: F0toF4, States: 0b00010}, at3 + "10000001"},
		{Instruction{Kind: Functions, Address: short, Group: F0toF4, States: 0b10000}, at3 + "10001000"},
		// NMRA S-9.2.1 (July 2012), functions 1011DDDD F8 to F5, 1010DDDD F12 to F9.
		{Instruction{Kind: Functions, Address: short, Group: F5toF8, States: 0b0001}, at3 + "10110001"},
		{Instruction{Kind: Functions, Address: short, Group: F9toF12, States: 0b1000}, at3 + "10101000"},
		// NMRA S-9.2.1 (July 2012), functions 11011110 F13 to F20, 11011111 F21 to F28.
		{Instruction{Kind: Functions, Address: short, Group: F13toF20, States: 0b0000_0001}, at3 + "11011110 00000001"},
		{Instruction{Kind: Functions, Address: long, Group: F21toF28, States: 0b1000_0000}, at4203 + "11011111 10000000"},
		// NMRA S-9.2.1 (July 2012), published: all binary states off.
		{Instruction{Kind: BinaryStateLong, Address: short}, at3 + "11000000 00000000 00000000"},
		// NMRA S-9.2.1 (July 2012), published: the 127 short binary states off.
		{Instruction{Kind: BinaryStateShort, Address: short}, at3 + "11011101 00000000"},
		// NMRA S-9.2.1 (July 2012), binary states: DLLLLLLL, then HHHHHHHH in the long form. 1000 is 7 x 128 + 104.
		{Instruction{Kind: BinaryStateShort, Address: short, State: 29, On: true}, at3 + "11011101 10011101"},
		{Instruction{Kind: BinaryStateLong, Address: short, State: 1000, On: true}, at3 + "11000000 11101000 00000111"},
		{Instruction{Kind: BinaryStateLong, Address: long, State: 32767}, at4203 + "11000000 01111111 11111111"},
		// NMRA S-9.2.1 (July 2012), CV access, long form 1110CCVV VVVVVVVV DDDDDDDD: the CV less one.
		{Instruction{Kind: MainVerify, Address: short, CV: 1, Value: 3}, at3 + "11100100 00000000 00000011"},
		{Instruction{Kind: MainWrite, Address: short, CV: 1024, Value: 255}, at3 + "11101111 11111111 11111111"},
		{Instruction{Kind: MainWrite, Address: long, CV: 29, Value: 6}, at4203 + "11101100 00011100 00000110"},
		// NMRA S-9.2.1 (July 2012), CV access, bits: data 111KDBBB, K = 1 write.
		{Instruction{Kind: MainVerifyBit, Address: short, CV: 29, Bit: 5, BitValue: true}, at3 + "11101000 00011100 11101101"},
		{Instruction{Kind: MainWriteBit, Address: short, CV: 29, Bit: 5}, at3 + "11101000 00011100 11110101"},
		// NMRA S-9.2.1 (July 2012), CV access, short form 1111CCCC DDDDDDDD: 0010 CV 23, 0011 CV 24.
		{Instruction{Kind: MainWriteShort, Address: short, CV: 23, Value: 5}, at3 + "11110010 00000101"},
		{Instruction{Kind: MainWriteShort, Address: long, CV: 24, Value: 133}, at4203 + "11110011 10000101"},
		// NMRA S-9.2.3 (July 2012), address query of old decoders.
		{Instruction{Kind: AddressQuery, Address: short}, at3 + "11111001"},
		// NMRA S-9.2.1 (July 2012), basic accessory 10AAAAAA 1AAACDDD, the three high bits inverted. 300 is 4 x 64 + 44.
		{Instruction{Kind: AccessoryOutput, Address: Address{BasicAccessory, 300}, Output: 5, On: true}, "10101100 10111101"},
		{Instruction{Kind: AccessoryOutput, Address: Address{BasicAccessory, 1}, Output: 2}, "10000001 11110010"},
		// NMRA S-9.2.1 (July 2012), broadcast to basic accessories 10111111 1000CDDD.
		{Instruction{Kind: AccessoryOutput, Address: Address{BasicAccessory, 511}, Output: 7, On: true}, "10111111 10001111"},
		// NMRA S-9.2.1 (July 2012), broadcast to extended accessories 10111111 00000111 000XXXXX.
		{Instruction{Kind: AccessoryAspect, Address: Address{ExtendedAccessory, 2047}, Value: 21}, "10111111 00000111 00010101"},
		// from memory: which of the 11 bits stand where. 1300 is 5 x 256 + 5 x 4 + 0.
		{Instruction{Kind: AccessoryAspect, Address: Address{ExtendedAccessory, 1300}, Value: 31}, "10000101 00100001 00011111"},
		// NMRA S-9.2.1 (July 2012), accessory CV access behind 10AAAAAA 1AAACDDD; CDDD = 0000 is the whole decoder.
		{Instruction{Kind: MainWrite, Address: Address{BasicAccessory, 1}, CV: 513, Value: 9}, "10000001 11110000 11101110 00000000 00001001"},
		{Instruction{Kind: MainWriteBit, Address: Address{BasicAccessory, 1}, Output: 3, On: true, CV: 541, Bit: 7, BitValue: true},
			"10000001 11111011 11101010 00011100 11111111"},
		// NMRA S-9.2.1 (July 2012), accessory CV access behind 10AAAAAA 0AAA0AA1.
		{Instruction{Kind: MainVerify, Address: Address{ExtendedAccessory, 2047}, CV: 1},
			"10111111 00000111 11100100 00000000 00000000"},
		// NMRA S-9.2.3 (July 2012), section E, direct mode 0111CCAA AAAAAAAA DDDDDDDD.
		{Instruction{Kind: DirectVerify, CV: 8, Value: 13}, "01110100 00000111 00001101"},
		{Instruction{Kind: DirectWrite, CV: 1024, Value: 255}, "01111111 11111111 11111111"},
		{Instruction{Kind: DirectVerifyBit, CV: 8, Bit: 7}, "01111000 00000111 11100111"},
		{Instruction{Kind: DirectWriteBit, CV: 29, Bit: 5, BitValue: true}, "01111000 00011100 11111101"},
		// NMRA S-9.2.3 (July 2012), section E, register mode 0111CRRR DDDDDDDD.
		{Instruction{Kind: RegisterVerify, Register: 0, Value: 3}, "01110000 00000011"},
		{Instruction{Kind: RegisterWrite, Register: ConfigurationRegister, Value: 6}, "01111100 00000110"},
		{Instruction{Kind: RegisterVerify, Register: MakerRegister, Value: 13}, "01110111 00001101"},
	} {
		both(t, c.i, wire(t, c.bits))
	}
}

func TestAddressRanges(t *testing.T) {
	reset := func(a Address) Instruction { return Instruction{Kind: DecoderReset, Address: a} }
	aspect := func(n uint16) Instruction {
		return Instruction{Kind: AccessoryAspect, Address: Address{ExtendedAccessory, n}}
	}
	output := func(n uint16) Instruction {
		return Instruction{Kind: AccessoryOutput, Address: Address{BasicAccessory, n}}
	}
	for _, c := range []struct {
		i    Instruction
		bits string
	}{
		// NMRA S-9.2.1 (July 2012), address partitions: 1 to 127 short, 128 to 191 accessory, 192 to 231 long.
		{reset(Address{Short, 1}), "00000001 00000000"},
		{reset(Address{Short, 127}), "01111111 00000000"},
		{reset(Address{Long, 0}), "11000000 00000000 00000000"},
		{reset(Address{Long, 127}), "11000000 01111111 00000000"},
		{reset(Address{Long, 256}), "11000001 00000000 00000000"},
		{reset(Address{Long, 10239}), "11100111 11111111 00000000"},
		// NMRA S-9.2.2 (July 2012), CV 17 and 18: 192 + 4203/256 and the rest, as in the address of a packet.
		{reset(Address{Long, 4203}), "11010000 01101011 00000000"},
		{output(0), "10000000 11110000"},
		{output(511), "10111111 10000000"},
		{aspect(0), "10000000 01110001 00000000"},
		{aspect(2047), "10111111 00000111 00000000"},
	} {
		both(t, c.i, wire(t, c.bits))
	}
	for _, a := range []Address{
		{Broadcast, 1}, {Short, 0}, {Short, 128}, {Long, 10240}, {BasicAccessory, 512}, {ExtendedAccessory, 2048}, {ExtendedAccessory + 1, 1},
	} {
		if a.Valid() {
			t.Errorf("%+v is valid", a)
		}
		for _, i := range []Instruction{reset(a), {Kind: AccessoryOutput, Address: a}, {Kind: AccessoryAspect, Address: a}} {
			if p, err := i.Encode(); err == nil {
				t.Errorf("%+v is sent as %v", i, p)
			}
		}
	}
}

func TestSpeedBitsDependOnTheStepsThatADecoderIsSetTo(t *testing.T) {
	// NMRA S-9.2 (July 2004), section B: bit 4 is the low bit of the step, or the light.
	p := wire(t, "00110111 01110100")
	for track, want := range map[Track]string{
		MainTrack:    "address 55: forward, step 6 of 28",
		MainTrack14:  "address 55: forward, light on, step 3 of 14",
		ServiceTrack: "address 55: forward, step 6 of 28",
	} {
		if got, err := p.Instruction(track); err != nil || got.String() != want {
			t.Errorf("track %d: %v, %v, want %s", track, got, err, want)
		}
	}
}

func TestAddresses112To127AreServiceModeOnItsTrackOnly(t *testing.T) {
	// NMRA S-9.2 (July 2004), section C, and S-9.2.3 (July 2012), section E: 0111 begins a packet of service mode.
	p := wire(t, "01110000 01100010")
	if got, err := p.Instruction(MainTrack); err != nil || got.Kind != Speed || got.Address != (Address{Short, 112}) {
		t.Errorf("on the main: %+v, %v, want a speed to address 112", got, err)
	}
	if got, err := p.Instruction(ServiceTrack); err != nil || got.Kind != RegisterVerify {
		t.Errorf("in service mode: %+v, %v, want a register verify", got, err)
	}
}

func TestAirtimeOfPublishedPackets(t *testing.T) {
	for _, c := range []struct {
		bits         string
		preamble     int
		microseconds int64
	}{
		// NMRA S-9.1 (2020), nominal halves of 58 and 100 us. Ones 20 + 1, zeros 3 x 9: 42 x 58 + 54 x 100.
		{"00000000 00000000", 20, 2436 + 5400},
		// 37 74 43: ones 14 + 5 + 4 + 3 + 1, zeros 3 + 3 + 4 + 5: 54 x 58 + 30 x 100.
		{"00110111 01110100", 14, 3132 + 3000},
		// FF 00 FF: ones 14 + 8 + 8 + 1, zeros 3 + 8: 62 x 58 + 22 x 100.
		{"11111111 00000000", 14, 3596 + 2200},
	} {
		if got := wire(t, c.bits).Airtime(c.preamble).Microseconds(); got != c.microseconds {
			t.Errorf("%s: %d us, want %d", c.bits, got, c.microseconds)
		}
	}
}
