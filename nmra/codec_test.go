package nmra

import (
	"testing"

	"pgregory.net/rapid"
)

// instructions draws from everything that Encode should accept, each kind as often as any other.
func instructions() *rapid.Generator[Instruction] {
	return rapid.Custom(func(t *rapid.T) Instruction {
		i := Instruction{Kind: Kind(rapid.IntRange(int(Idle), int(RegisterWrite)).Draw(t, "kind"))}
		number := func(name string, low, high int) int { return rapid.IntRange(low, high).Draw(t, name) }
		yes := func(name string) bool { return rapid.Bool().Draw(t, name) }
		vehicle := func() Address {
			switch number("kind of address", 0, 2) {
			case 0:
				return Address{}
			case 1:
				return Address{Short, uint16(number("short", 1, 127))}
			}
			return Address{Long, uint16(number("long", 0, 10239))}
		}
		if i.Kind > Idle && i.Kind <= MainWriteShort {
			i.Address = vehicle()
		}
		switch i.Kind {
		case ExtendedAddressing, AcknowledgeRequest:
			i.On = yes("on")
		case SetConsist:
			i.Consist, i.Forward = uint8(number("consist", 0, 127)), yes("forward")
		case Stop, EmergencyStop, Speed:
			i.Steps, i.Forward = rapid.SampledFrom([]Steps{Steps14, Steps28, Steps128}).Draw(t, "steps"), yes("forward")
			if i.Kind == Speed {
				i.Step = uint8(number("step", 1, int(i.Steps.Top())))
			} else if i.Address.Kind == Broadcast && i.Steps == Steps14 {
				i.Steps = Steps28
			}
			i.Light = i.Steps == Steps14 && yes("light")
			i.IgnoreDirection = i.Steps == Steps28 && i.Kind != Speed && yes("ignore direction")
		case RestrictedSpeed:
			if i.On = yes("on"); i.On {
				i.Step = uint8(number("step", 1, 28))
			}
		case AnalogueFunction:
			i.Output, i.Value = uint8(number("output", 0, 255)), uint8(number("value", 0, 255))
		case Functions:
			i.Group = Group(number("group", 0, int(F21toF28)))
			first, last := i.Group.Span()
			i.States = uint8(number("states", 0, 1<<(last-first+1)-1))
		case BinaryStateShort:
			i.State, i.On = uint16(number("state", 0, 127)), yes("on")
		case BinaryStateLong:
			i.State, i.On = uint16(number("state", 0, 32767)), yes("on")
		case MainVerify, MainWrite, MainVerifyBit, MainWriteBit:
			switch number("receiver", 0, 2) {
			case 0:
				i.Address = Address{ExtendedAccessory, uint16(number("accessory", 0, 2047))}
			case 1:
				i.Address = Address{BasicAccessory, uint16(number("accessory", 0, 511))}
				if i.On = yes("one output"); i.On {
					i.Output = uint8(number("output", 0, 7))
				}
			}
		case MainWriteShort:
			i.CV, i.Value = CV(number("cv", 23, 24)), uint8(number("value", 0, 255))
		case AddressQuery:
			i.Address = Address{Short, uint16(number("short", 1, 111))}
		case AccessoryOutput:
			i.Address = Address{BasicAccessory, uint16(number("accessory", 0, 511))}
			i.Output, i.On = uint8(number("output", 0, 7)), yes("on")
		case AccessoryAspect:
			i.Address = Address{ExtendedAccessory, uint16(number("accessory", 0, 2047))}
			i.Value = uint8(number("aspect", 0, 31))
		case RegisterVerify, RegisterWrite:
			i.Register, i.Value = uint8(number("register", 0, 7)), uint8(number("value", 0, 255))
		}
		switch i.Kind {
		case MainVerify, MainWrite, DirectVerify, DirectWrite:
			i.CV, i.Value = CV(number("cv", 1, 1024)), uint8(number("value", 0, 255))
		case MainVerifyBit, MainWriteBit, DirectVerifyBit, DirectWriteBit:
			i.CV, i.Bit, i.BitValue = CV(number("cv", 1, 1024)), uint8(number("bit", 0, 7)), yes("bit value")
		}
		return i
	})
}

// trackOf is where the instruction is understood.
func trackOf(i Instruction) Track {
	switch {
	case i.Kind.Service():
		return ServiceTrack
	case i.Steps == Steps14:
		return MainTrack14
	}
	return MainTrack
}

func TestParseGivesBackWhatEncodeTook(t *testing.T) {
	seen := map[Kind]bool{}
	rapid.Check(t, func(t *rapid.T) {
		want := instructions().Draw(t, "instruction")
		seen[want.Kind] = true
		p, err := want.Encode()
		if err != nil {
			t.Fatalf("%+v: %v", want, err)
		}
		got, err := p.Instruction(trackOf(want))
		if err != nil || got != want {
			t.Fatalf("%v: read as %+v, %v, want %+v", p, got, err, want)
		}
	})
	if len(seen) == 0 {
		t.Fatal("nothing was drawn")
	}
}

func FuzzParse(f *testing.F) {
	f.Add(uint8(0), []byte{0x37, 0x74, 0x43})
	f.Add(uint8(2), []byte{0x7C, 0x00, 0x01, 0x7D})
	f.Fuzz(func(t *testing.T, track uint8, b []byte) {
		i, err := Parse(Track(track%3), b)
		if err != nil {
			return
		}
		p, err := i.Encode()
		if err != nil {
			t.Fatalf("% X reads as %+v, which can't be sent: %v", b, i, err)
		}
		if string(p.Append(nil)) != string(b) {
			t.Fatalf("% X reads as %+v, which is sent as %v", b, i, p)
		}
	})
}
