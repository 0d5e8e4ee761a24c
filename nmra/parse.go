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
		return fmt.Sprintf("packet: %v: %d, want %s bytes, the check byte included", e.Err, e.Found, e.Want)
	}
	return fmt.Sprintf("packet: %v: byte %d is %02X, want %s", e.Err, e.At+1, e.Found, e.Want)
}

// Unwrap gives what is wrong, for errors.Is.
func (e *ParseError) Unwrap() error { return e.Err }

// Parse reads the bytes of a packet, the check byte last. Whatever it accepts, [Instruction.Encode] turns into the same bytes.
//
// An error is a [*ParseError]. The instruction then holds what could be read all the same: Kind and Address where they are
// known, and with nothing wrong but the check byte everything that the bytes say. A wrong check byte is told before anything
// but too few or too many bytes, since it may be the cause of the rest.
func Parse(t Track, b []byte) (Instruction, error) {
	var i Instruction
	if len(b) < MinBytes || len(b) > MaxBytes {
		i.readAddress(b)
		return i, &ParseError{ErrLength, min(len(b), MaxBytes), len(b), "3 to 6"}
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
		return &ParseError{ErrLength, at, len(b) + 1, "at least 4"}
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
		return &ParseError{ErrLength, min(len(b), bare), len(b) + 1, fmt.Sprintf("%d, or for a CV 6", bare+1)}
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
	return &ParseError{ErrLength, 4, len(b) + 1, "in service mode 3 or 4"}
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
