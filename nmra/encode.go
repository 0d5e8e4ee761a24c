package nmra

import "fmt"

// FieldError says which field of an [Instruction] can't be sent.
type FieldError struct {
	Kind  Kind
	Field string // the field's name, "Step"
	Found int    // its value; of an address its number; 1 for true
	Want  string // "1 to 28"
}

func (e *FieldError) Error() string {
	return fmt.Sprintf("%v: %s is %d, want %s", e.Kind, e.Field, e.Found, e.Want)
}

// Encode gives the packet that says i. It refuses an instruction with a field out of range, and one with a field set that its
// kind has no place for, so that [Parse] gives back exactly what went in. Errors are of type [*FieldError].
func (i Instruction) Encode() (Packet, error) {
	if err := i.check(); err != nil {
		return Packet{}, err
	}
	var room [MaxBytes]byte
	return seal(i.appendBody(i.appendAddress(room[:0]))...), nil
}

// appendAddress appends the bytes that come before the instruction itself: none in service mode.
func (i *Instruction) appendAddress(b []byte) []byte {
	n := i.Address.Number
	switch {
	case i.Kind == Idle:
		return append(b, firstIdle)
	case i.Kind.Service():
		return b
	case i.Address.Kind == Long:
		return append(b, firstLong+byte(n>>8), byte(n))
	case i.Address.Kind == BasicAccessory:
		return append(b, firstAccessory|byte(n&0x3F), 0x80|byte(^n>>6&7)<<4|flag(i.On, 0x08)|i.Output)
	case i.Address.Kind == ExtendedAccessory:
		// Which bits of the 11 go where, from memory: the published facts give only their places and which are inverted.
		return append(b, firstAccessory|byte(n>>2&0x3F), byte(^n>>8&7)<<4|byte(n&3)<<1|1)
	}
	return append(b, byte(n))
}

// appendBody appends the instruction bytes (S-9.2.1; service mode S-9.2.3, section E).
func (i *Instruction) appendBody(b []byte) []byte {
	switch i.Kind {
	case Idle, DecoderReset:
		return append(b, 0)
	case HardReset:
		return append(b, 0x01)
	case ExtendedAddressing:
		return append(b, 0x0A|flag(i.On, 1))
	case AcknowledgeRequest:
		return append(b, 0x0E|flag(i.On, 1))
	case SetConsist:
		return append(b, 0x13-flag(i.Forward, 1), i.Consist)
	case Stop, EmergencyStop, Speed:
		return i.appendSpeed(b)
	case RestrictedSpeed:
		if !i.On {
			return append(b, opRestricted, 0)
		}
		return append(b, opRestricted, 0x80|code28(i.Step+3))
	case AnalogueFunction:
		return append(b, opAnalogue, i.Output, i.Value)
	case Functions:
		switch i.Group {
		case F0toF4:
			return append(b, 0x80|i.States&1<<4|i.States>>1)
		case F5toF8:
			return append(b, 0xB0|i.States)
		case F9toF12:
			return append(b, 0xA0|i.States)
		case F13toF20:
			return append(b, opF13toF20, i.States)
		default:
			return append(b, opF21toF28, i.States)
		}
	case BinaryStateShort:
		return append(b, opBinaryShort, flag(i.On, 0x80)|byte(i.State))
	case BinaryStateLong:
		return append(b, opBinaryLong, flag(i.On, 0x80)|byte(i.State&0x7F), byte(i.State>>7))
	case MainVerify, MainWrite, MainVerifyBit, MainWriteBit:
		return i.appendAccess(b, 0xE0, i.Kind-MainVerify)
	case MainWriteShort:
		return append(b, 0xF0|byte(i.CV-21), i.Value)
	case AddressQuery:
		return append(b, opAddressQuery)
	case AccessoryAspect:
		return append(b, i.Value)
	case DirectVerify, DirectWrite, DirectVerifyBit, DirectWriteBit:
		return i.appendAccess(b, firstService, i.Kind-DirectVerify)
	case RegisterVerify, RegisterWrite:
		return append(b, firstService|flag(i.Kind == RegisterWrite, 0x08)|i.Register, i.Value)
	}
	return b // AccessoryOutput: all of it stands in the address bytes
}

// appendSpeed appends stop, emergency stop or a speed step, in the form that Steps asks for.
func (i *Instruction) appendSpeed(b []byte) []byte {
	code := byte(0)
	switch i.Kind {
	case EmergencyStop:
		code = 1
	case Speed:
		code = i.Step + 1
	}
	switch i.Steps {
	case Steps128:
		return append(b, opSpeed128, flag(i.Forward, 0x80)|code)
	case Steps14:
		return append(b, 0x40|flag(i.Forward, 0x20)|flag(i.Light, 0x10)|code)
	}
	// 28 steps count on in C, the low bit: stop and emergency stop have two codes each, then every step has one.
	code *= 2
	if i.Kind == Speed {
		code = i.Step + 3
	}
	return append(b, 0x40|flag(i.Forward, 0x20)|code28(code|flag(i.IgnoreDirection, 1)))
}

// code28 puts a number of 0 to 31 into CSSSS, where C is the low bit of the number (S-9.2).
func code28(n byte) byte { return n>>1 | n&1<<4 }

// number28 is the reverse of code28.
func number28(code byte) byte { return code&0x0F<<1 | code>>4&1 }

// appendAccess appends a long access to a CV. Its form is the same on the main behind 1110 and in direct mode behind 0111;
// what counts verify, write, verify bit, write bit from 0.
func (i *Instruction) appendAccess(b []byte, top byte, what Kind) []byte {
	op, data := byte(accessBit), i.Value
	switch what {
	case 0:
		op = accessVerify
	case 1:
		op = accessWrite
	default:
		data = 0xE0 | flag(what == 3, 0x10) | flag(i.BitValue, 0x08) | i.Bit
	}
	n := uint16(i.CV - 1)
	return append(b, top|op<<2|byte(n>>8), byte(n), data)
}

// First bytes, or the lowest of their range (S-9.2.1, S-9.2.3).
const (
	firstService   = 0x70
	firstAccessory = 0x80
	firstLong      = 0xC0
	firstReserved  = 0xE8
	firstIdle      = 0xFF
)

// Instruction bytes that stand for one instruction each (S-9.2.1; the address query S-9.2.3).
const (
	opAnalogue     = 0x3D
	opRestricted   = 0x3E
	opSpeed128     = 0x3F
	opBinaryLong   = 0xC0
	opBinaryShort  = 0xDD
	opF13toF20     = 0xDE
	opF21toF28     = 0xDF
	opAddressQuery = 0xF9
)

// What a long access does, as its two bits CC.
const (
	accessVerify = 1
	accessBit    = 2
	accessWrite  = 3
)

func flag(on bool, bit byte) byte {
	if on {
		return bit
	}
	return 0
}
