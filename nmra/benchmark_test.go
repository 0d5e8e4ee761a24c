package nmra

import "testing"

// mix is one instruction of nearly every kind.
var mix = []Instruction{
	{Kind: Idle},
	Reset(),
	{Kind: HardReset, Address: Address{Short, 55}},
	{Kind: ExtendedAddressing, Address: Address{Short, 55}, On: true},
	{Kind: SetConsist, Address: Address{Long, 4203}, Consist: 10, Forward: true},
	{Kind: Stop, Steps: Steps28, IgnoreDirection: true},
	{Kind: EmergencyStop, Address: Address{Short, 3}, Steps: Steps128},
	{Kind: Speed, Address: Address{Short, 55}, Steps: Steps28, Step: 6, Forward: true},
	{Kind: Speed, Address: Address{Long, 4203}, Steps: Steps128, Step: 126},
	{Kind: RestrictedSpeed, Address: Address{Short, 55}, On: true, Step: 10},
	{Kind: AnalogueFunction, Address: Address{Short, 55}, Output: 1, Value: 200},
	{Kind: Functions, Address: Address{Short, 55}, Group: F0toF4, States: 0b10001},
	{Kind: Functions, Address: Address{Long, 4203}, Group: F21toF28, States: 0x81},
	{Kind: BinaryStateShort, Address: Address{Short, 55}, State: 29, On: true},
	{Kind: BinaryStateLong, Address: Address{Short, 55}, State: 1000},
	{Kind: MainWrite, Address: Address{Long, 4203}, CV: 29, Value: 6},
	{Kind: MainWriteBit, Address: Address{BasicAccessory, 100}, Output: 3, On: true, CV: 513, Bit: 5, BitValue: true},
	{Kind: MainWriteShort, Address: Address{Short, 55}, CV: 23, Value: 5},
	{Kind: AccessoryOutput, Address: Address{BasicAccessory, 300}, Output: 5, On: true},
	{Kind: AccessoryAspect, Address: Address{ExtendedAccessory, 1300}, Value: 12},
	{Kind: DirectVerify, CV: 8, Value: 13},
	{Kind: DirectWrite, CV: 1024, Value: 255},
	{Kind: DirectVerifyBit, CV: 8, Bit: 7, BitValue: true},
	PagePreset(),
	FactoryReset(),
}

var (
	packetSink      Packet
	instructionSink Instruction
	errSink         error
)

func encodeMix() {
	for _, i := range mix {
		packetSink, errSink = i.Encode()
	}
}

func parseMix(packets [][]byte) {
	for n, b := range packets {
		instructionSink, errSink = Parse(trackOf(mix[n]), b)
	}
}

func mixPackets(t testing.TB) [][]byte {
	var packets [][]byte
	for _, i := range mix {
		p, err := i.Encode()
		if err != nil {
			t.Fatal(err)
		}
		if got, err := p.Instruction(trackOf(i)); err != nil || got != i {
			t.Fatalf("%v: read as %+v, %v", p, got, err)
		}
		packets = append(packets, p.Append(nil))
	}
	return packets
}

func TestEncodeAndParseDoNotAllocate(t *testing.T) {
	packets := mixPackets(t)
	if n := testing.AllocsPerRun(100, encodeMix); n != 0 {
		t.Errorf("Encode: %v allocations for %d instructions, want 0", n, len(mix))
	}
	if n := testing.AllocsPerRun(100, func() { parseMix(packets) }); n != 0 {
		t.Errorf("Parse: %v allocations for %d packets, want 0", n, len(mix))
	}
}

// An operation of both benchmarks is one instruction of the mix.
func BenchmarkEncode(b *testing.B) {
	mixPackets(b)
	b.ReportAllocs()
	for n := 0; b.Loop(); n++ {
		packetSink, errSink = mix[n%len(mix)].Encode()
	}
}

func BenchmarkParse(b *testing.B) {
	packets := mixPackets(b)
	b.ReportAllocs()
	for n := 0; b.Loop(); n++ {
		at := n % len(mix)
		instructionSink, errSink = Parse(trackOf(mix[at]), packets[at])
	}
}
