package nmra

import (
	"fmt"
	"strings"
)

var kindNames = [...]string{
	Idle:               "idle",
	DecoderReset:       "decoder reset",
	HardReset:          "hard reset",
	ExtendedAddressing: "extended addressing",
	AcknowledgeRequest: "acknowledgement request",
	SetConsist:         "consist control",
	Stop:               "stop",
	EmergencyStop:      "emergency stop",
	Speed:              "speed",
	RestrictedSpeed:    "restricted speed",
	AnalogueFunction:   "analogue function",
	Functions:          "functions",
	BinaryStateShort:   "binary state, short form",
	BinaryStateLong:    "binary state, long form",
	MainVerify:         "verify on the main",
	MainWrite:          "write on the main",
	MainVerifyBit:      "verify of a bit on the main",
	MainWriteBit:       "write of a bit on the main",
	MainWriteShort:     "write on the main, short form",
	AddressQuery:       "address query",
	AccessoryOutput:    "accessory output",
	AccessoryAspect:    "accessory aspect",
	DirectVerify:       "direct verify",
	DirectWrite:        "direct write",
	DirectVerifyBit:    "direct verify of a bit",
	DirectWriteBit:     "direct write of a bit",
	RegisterVerify:     "register verify",
	RegisterWrite:      "register write",
}

// String is the name of the kind: "speed", "consist control".
func (k Kind) String() string {
	if k == 0 || int(k) >= len(kindNames) {
		return fmt.Sprintf("instruction of unknown kind %d", uint8(k))
	}
	return kindNames[k]
}

// String names the functions of the group: "F0 to F4".
func (g Group) String() string {
	if g > F21toF28 {
		return fmt.Sprintf("group %d", uint8(g))
	}
	first, last := g.Span()
	return fmt.Sprintf("F%d to F%d", first, last)
}

// String says what the instruction asks for, as a sentence: "address 55: forward, step 6 of 28". Two instructions that
// differ, and that can be sent, have two sentences.
func (i Instruction) String() string {
	switch {
	case i.Kind == Idle:
		return "idle"
	case i.Kind.Service():
		return "service mode: " + i.request()
	case i.Address.Kind == BasicAccessory && (i.On || i.Kind == AccessoryOutput):
		return fmt.Sprintf("%v, output %d: %s", i.Address, i.Output, i.request())
	}
	return fmt.Sprintf("%v: %s", i.Address, i.request())
}

// request is the sentence without whom it speaks to.
func (i *Instruction) request() string {
	switch i.Kind {
	case DecoderReset:
		return "reset"
	case ExtendedAddressing:
		return fmt.Sprintf("set bit 5 of CV 29 to %d, the %s address is in use", flag(i.On, 1), choose(i.On, "long", "short"))
	case AcknowledgeRequest, AccessoryOutput:
		return choose(i.Kind == AcknowledgeRequest, "acknowledgement request ", "") + choose(i.On, "on", "off")
	case SetConsist:
		way := choose(i.Forward, "forward", "reversed")
		if i.Consist == 0 {
			return "leave the consist, " + way
		}
		return fmt.Sprintf("run in consist %d, %s", i.Consist, way)
	case Stop, EmergencyStop:
		return fmt.Sprintf("%v, %s%s, in %d steps", i.Kind, i.direction(), i.light(), i.Steps)
	case Speed:
		return fmt.Sprintf("%s%s, step %d of %d", i.direction(), i.light(), i.Step, i.Steps.Top())
	case RestrictedSpeed:
		if !i.On {
			return "run at any speed"
		}
		return fmt.Sprintf("run no faster than step %d of 28", i.Step)
	case AnalogueFunction:
		return fmt.Sprintf("analogue output %d to %d", i.Output, i.Value)
	case Functions:
		return i.functions()
	case BinaryStateShort, BinaryStateLong:
		state := fmt.Sprintf("binary state %d", i.State)
		if i.State == 0 {
			state = "all binary states"
		}
		return fmt.Sprintf("%s %s, %s form", state, choose(i.On, "on", "off"), choose(i.Kind == BinaryStateLong, "long", "short"))
	case MainVerify, DirectVerify:
		return fmt.Sprintf("is CV %d equal to %d?", i.CV, i.Value)
	case MainWrite, DirectWrite:
		return fmt.Sprintf("set CV %d to %d", i.CV, i.Value)
	case MainVerifyBit, DirectVerifyBit:
		return fmt.Sprintf("is bit %d of CV %d equal to %d?", i.Bit, i.CV, flag(i.BitValue, 1))
	case MainWriteBit, DirectWriteBit:
		return fmt.Sprintf("set bit %d of CV %d to %d", i.Bit, i.CV, flag(i.BitValue, 1))
	case MainWriteShort:
		return fmt.Sprintf("set CV %d to %d, short form", i.CV, i.Value)
	case AddressQuery:
		return "does an old decoder have this address?"
	case AccessoryAspect:
		return fmt.Sprintf("aspect %d", i.Value)
	case RegisterVerify:
		return fmt.Sprintf("is %s equal to %d?", i.register(), i.Value)
	case RegisterWrite:
		return fmt.Sprintf("set %s to %d", i.register(), i.Value)
	}
	return i.Kind.String()
}

func (i *Instruction) direction() string {
	return choose(i.Forward, "forward", "reverse") + choose(i.IgnoreDirection, " or as it runs", "")
}

func (i *Instruction) light() string {
	if i.Steps != Steps14 {
		return ""
	}
	return choose(i.Light, ", light on", ", light off")
}

// functions says which functions of the group are on; those not named are off.
func (i *Instruction) functions() string {
	first, last := i.Group.Span()
	var on []string
	for n := first; n <= last; n++ {
		if i.States>>(n-first)&1 == 1 {
			on = append(on, fmt.Sprintf("F%d", n))
		}
	}
	switch len(on) {
	case 0:
		return fmt.Sprintf("%v off", i.Group)
	case int(last - first + 1):
		return fmt.Sprintf("%v on", i.Group)
	}
	return fmt.Sprintf("%s on, the others of %v off", strings.Join(on, ", "), i.Group)
}

// register names the physical register as people count them, from 1; a packet counts from 0.
func (i *Instruction) register() string {
	name := fmt.Sprintf("physical register %d", i.Register+1)
	switch i.Register {
	case ConfigurationRegister:
		return name + ", the configuration,"
	case PageRegister:
		return name + ", the page register,"
	case VersionRegister:
		return name + ", the version,"
	case MakerRegister:
		return name + ", the maker's number,"
	}
	return name
}

func choose(condition bool, yes, no string) string {
	if condition {
		return yes
	}
	return no
}
