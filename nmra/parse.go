package nmra

import (
	"errors"
	"fmt"
)

// Track says where a packet was seen, since the same bytes can mean different things.
type Track uint8

const (
	MainTrack    Track = iota // a decoder set to 28 steps; bits 4-0 of a baseline speed are CSSSS
	MainTrack14               // a decoder set to 14 steps; bit 4 of a baseline speed is the light
	ServiceTrack              // in service mode; what is no service-mode packet is read as on the main track
)

// What can be wrong with a packet; a [ParseError] wraps one of them.
var (
	ErrLength   = errors.New("wrong length")
	ErrCheck    = errors.New("wrong check byte")
	ErrReserved = errors.New("reserved, or of no meaning here")
)

// ParseError says what is wrong with a packet, and where.
type ParseError struct {
	Err   error // ErrLength, ErrCheck or ErrReserved
	At    int   // the byte, from 0; with ErrLength the first one that is missing or too many
	Found int   // its value; with ErrLength the number of bytes
	Want  string
}

func (e *ParseError) Error() string {
	if e.Err == ErrLength {
		return fmt.Sprintf("packet: %v: %d bytes, want %s", e.Err, e.Found, e.Want)
	}
	return fmt.Sprintf("packet: %v: byte %d is %02X, want %s", e.Err, e.At+1, e.Found, e.Want)
}

// Unwrap gives what is wrong, for errors.Is.
func (e *ParseError) Unwrap() error { return e.Err }

// Parse reads the bytes of a packet, the check byte last. Whatever it accepts, [Instruction.Encode] turns into the same bytes.
//
// An error is a [*ParseError]. The instruction then holds what could be read all the same: Kind and Address where they are
// known, and with nothing wrong but the check byte everything that the bytes say.
func Parse(t Track, b []byte) (Instruction, error) {
	var i Instruction
	if len(b) < MinBytes || len(b) > MaxBytes {
		i.readAddress(b)
		return i, &ParseError{ErrLength, min(len(b), MaxBytes), len(b), "3 to 6, the check byte included"}
	}
	last := len(b) - 1
	var check byte
	for _, x := range b[:last] {
		check ^= x
	}
	err := i.read(t, b[:last])
	if b[last] != check {
		return i, &ParseError{ErrCheck, last, int(b[last]), fmt.Sprintf("%02X", check)}
	}
	if err != nil {
		return i, err
	}
	return i, nil
}

// Instruction reads the packet as [Parse] does.
func (p Packet) Instruction(t Track) (Instruction, error) { return Parse(t, p.bytes[:p.n]) }

// read fills i from the bytes before the check byte, at least two.
func (i *Instruction) read(t Track, b []byte) *ParseError {
	first := b[0]
	switch {
	case t == ServiceTrack && first >= firstService && first < firstAccessory:
		return i.readService(b)
	case first == firstIdle:
		i.Kind = Idle
		if err := exactly(b, 2); err != nil {
			return err
		}
		if b[1] != 0 {
			return reserved(b, 1, "00, as the idle packet has it")
		}
		return nil
	case first >= firstReserved:
		return reserved(b, 0, "00 to E7, or FF")
	}
	at := i.readAddress(b)
	switch i.Address.Kind {
	case BasicAccessory, ExtendedAccessory:
		return i.readAccessory(b)
	}
	if at == len(b) {
		return tooShort(b, at, "an instruction after the address")
	}
	return i.readVehicle(t, b, at)
}

// readAddress reads as much of the address as is there and gives the place of the byte after it.
func (i *Instruction) readAddress(b []byte) int {
	if len(b) == 0 {
		return 0
	}
	first, second := b[0], byte(0)
	if len(b) > 1 {
		second = b[1]
	}
	switch {
	case first == 0:
		return 1
	case first < firstAccessory:
		i.Address = Address{Short, uint16(first)}
		return 1
	case len(b) == 1 || first >= firstReserved:
		return len(b) // half an address says nothing
	case first >= firstLong:
		i.Address = Address{Long, uint16(first-firstLong)<<8 | uint16(second)}
	case second&0x80 != 0:
		i.Address = Address{BasicAccessory, uint16(^second>>4&7)<<6 | uint16(first&0x3F)}
	default:
		i.Address = Address{ExtendedAccessory, uint16(^second>>4&7)<<8 | uint16(first&0x3F)<<2 | uint16(second>>1&3)}
	}
	return 2
}

// readVehicle reads an instruction to a multifunction decoder, which begins at b[at].
func (i *Instruction) readVehicle(t Track, b []byte, at int) *ParseError {
	op := b[at]
	var length int
	i.Kind, length = vehicleKind(op, len(b)-at)
	if i.Kind == 0 {
		return reserved(b, at, "an instruction of S-9.2.1")
	}
	if err := exactly(b, at+length); err != nil {
		return err
	}
	switch i.Kind {
	case ExtendedAddressing, AcknowledgeRequest:
		i.On = op&1 != 0
	case SetConsist:
		i.Forward = op&1 == 0
		if b[at+1] > 127 {
			return reserved(b, at+1, "0 in bit 7")
		}
		i.Consist = b[at+1]
	case Speed:
		i.readSpeed(t, b[at:])
	case RestrictedSpeed:
		return i.readRestricted(b, at+1)
	case AnalogueFunction:
		i.Output, i.Value = b[at+1], b[at+2]
	case Functions:
		i.readFunctions(b[at:])
	case BinaryStateShort:
		i.On, i.State = b[at+1]&0x80 != 0, uint16(b[at+1]&0x7F)
	case BinaryStateLong:
		i.On, i.State = b[at+1]&0x80 != 0, uint16(b[at+1]&0x7F)|uint16(b[at+2])<<7
	case MainVerify, MainWrite, MainVerifyBit:
		return i.readAccess(b, at)
	case MainWriteShort:
		i.CV, i.Value = CV(op&0x0F)+21, b[at+1]
	case AddressQuery:
		if i.Address.Kind != Short || i.Address.Number > 111 {
			return reserved(b, at, "an instruction of S-9.2.1: only short addresses 1 to 111 can be queried")
		}
	}
	return nil
}

// vehicleKind says what an instruction byte stands for and how many bytes the instruction has, of which so many are there.
// What the bytes after it decide is left open: Speed can turn out to be a stop, MainVerifyBit to be a write. Kind is 0 where
// the byte is reserved.
func vehicleKind(op byte, there int) (kind Kind, length int) {
	switch op >> 5 {
	case 0:
		switch op {
		case 0x00:
			return DecoderReset, 1
		case 0x01:
			return HardReset, 1
		case 0x0A, 0x0B:
			return ExtendedAddressing, 1
		case 0x0E, 0x0F:
			return AcknowledgeRequest, 1
		case 0x12, 0x13:
			return SetConsist, 2
		}
	case 1:
		switch op {
		case opSpeed128:
			return Speed, 2
		case opRestricted:
			return RestrictedSpeed, 2
		case opAnalogue:
			return AnalogueFunction, 3
		}
	case 2, 3:
		return Speed, 1
	case 4, 5:
		return Functions, 1
	case 6:
		switch op {
		case opBinaryLong:
			return BinaryStateLong, 3
		case opBinaryShort:
			return BinaryStateShort, 2
		case opF13toF20, opF21toF28:
			return Functions, 2
		}
	default:
		switch {
		case op == 0xF2 || op == 0xF3:
			return MainWriteShort, 2
		case op == opAddressQuery && there == 1:
			return AddressQuery, 1
		case op < 0xF0:
			return accessKind(op, MainVerify), 3
		}
	}
	return 0, 0
}

// accessKind counts on from verify by the bits CC of a long access; 0 where they are reserved.
func accessKind(op byte, verify Kind) Kind {
	switch op >> 2 & 3 {
	case accessVerify:
		return verify
	case accessWrite:
		return verify + 1
	case accessBit:
		return verify + 2
	}
	return 0
}

// readSpeed reads stop, emergency stop or a speed step.
func (i *Instruction) readSpeed(t Track, b []byte) {
	var code byte // 0 stop, 1 emergency stop, then the steps
	switch {
	case b[0] == opSpeed128:
		i.Steps, i.Forward, code = Steps128, b[1]&0x80 != 0, b[1]&0x7F
	case t == MainTrack14 && (i.Address.Kind != Broadcast || b[0]&0x0F > 1):
		i.Steps, i.Forward, i.Light, code = Steps14, b[0]&0x20 != 0, b[0]&0x10 != 0, b[0]&0x0F
	default:
		i.Steps, i.Forward = Steps28, b[0]&0x20 != 0
		n := number28(b[0] & 0x1F)
		if code = n >> 1; code <= 1 {
			i.IgnoreDirection = n&1 != 0
		} else {
			code = n - 2
		}
	}
	switch code {
	case 0:
		i.Kind = Stop
	case 1:
		i.Kind = EmergencyStop
	default:
		i.Step = code - 1
	}
}

// readRestricted reads the data byte of a speed restriction. Its layout is from memory: bit 7 switches it on, bits 4-0 are
// the step as 28 steps are coded; the rest is reserved.
func (i *Instruction) readRestricted(b []byte, at int) *ParseError {
	data := b[at]
	if data == 0 {
		return nil
	}
	n := number28(data & 0x1F)
	if data&0xE0 != 0x80 || n < 4 {
		return reserved(b, at, "00, or 80 and the code of a step")
	}
	i.On, i.Step = true, n-3
	return nil
}

func (i *Instruction) readFunctions(b []byte) {
	op := b[0]
	switch {
	case op == opF13toF20:
		i.Group, i.States = F13toF20, b[1]
	case op == opF21toF28:
		i.Group, i.States = F21toF28, b[1]
	case op >= 0xB0:
		i.Group, i.States = F5toF8, op&0x0F
	case op >= 0xA0:
		i.Group, i.States = F9toF12, op&0x0F
	default:
		i.Group, i.States = F0toF4, op&0x0F<<1|op>>4&1
	}
}

// readAccess reads a long access to a CV at b[at]; Kind is known from its first byte.
func (i *Instruction) readAccess(b []byte, at int) *ParseError {
	i.CV = CV(b[at]&3)<<8 | CV(b[at+1]) + 1
	data := b[at+2]
	switch i.Kind {
	case MainVerify, MainWrite, DirectVerify, DirectWrite:
		i.Value = data
		return nil
	}
	if data&0xE0 != 0xE0 {
		return reserved(b, at+2, "111 in bits 7-5")
	}
	if data&0x10 != 0 {
		i.Kind++ // from verify to write
	}
	i.Bit, i.BitValue = data&7, data&0x08 != 0
	return nil
}

func (i *Instruction) readAccessory(b []byte) *ParseError {
	second, bare, kind := b[1], 2, AccessoryOutput
	if i.Address.Kind == ExtendedAccessory {
		bare, kind = 3, AccessoryAspect
		if second&0x09 != 0x01 {
			return reserved(b, 1, "0 in bit 3 and 1 in bit 0")
		}
	} else {
		i.On, i.Output = second&0x08 != 0, second&7
	}
	switch {
	case len(b) == bare:
		i.Kind = kind
	case len(b) != 5:
		return &ParseError{ErrLength, min(len(b), bare), len(b) + 1, fmt.Sprintf("%d, or 6 for access to a CV", bare+1)}
	case b[2]>>4 != 0x0E || accessKind(b[2], MainVerify) == 0:
		return reserved(b, 2, "access to a CV")
	default:
		i.Kind = accessKind(b[2], MainVerify)
		if !i.On && i.Output != 0 {
			return reserved(b, 1, "0000 in bits 3-0 for the whole decoder, or 1 in bit 3 for one output")
		}
		return i.readAccess(b, 2)
	}
	if kind == AccessoryAspect {
		if b[2] > 31 {
			return reserved(b, 2, "000 in bits 7-5")
		}
		i.Value = b[2]
	}
	return nil
}

// readService reads a packet of service mode, told by its length: two bytes for a register, three for direct mode.
func (i *Instruction) readService(b []byte) *ParseError {
	switch len(b) {
	case 2:
		i.Kind = RegisterVerify
		if b[0]&0x08 != 0 {
			i.Kind = RegisterWrite
		}
		i.Register, i.Value = b[0]&7, b[1]
		return nil
	case 3:
		if i.Kind = accessKind(b[0], DirectVerify); i.Kind == 0 {
			return reserved(b, 0, "01, 10 or 11 in bits 3-2")
		}
		return i.readAccess(b, 0)
	}
	return &ParseError{ErrLength, 4, len(b) + 1, "3 or 4 in service mode"}
}

func reserved(b []byte, at int, want string) *ParseError {
	return &ParseError{ErrReserved, at, int(b[at]), want}
}

// exactly asks for so many bytes before the check byte.
func exactly(b []byte, length int) *ParseError {
	if len(b) == length {
		return nil
	}
	return &ParseError{ErrLength, min(len(b), length), len(b) + 1, fmt.Sprint(length + 1)}
}

func tooShort(b []byte, at int, want string) *ParseError {
	return &ParseError{ErrLength, at, len(b) + 1, want}
}
