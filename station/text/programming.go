package text

import (
	"context"
	"fmt"

	"fettle/nmra"
	"fettle/station"
)

// service does one access: by the command for it, else by what it can be made from. A line that has been sent is waited for, whatever
// the context. The station has sequences of its own, so that Lead and Pace make no difference.
func (b *base) service(ctx context.Context, a nmra.Access) (station.Answer, error) {
	if err := b.ready(ctx); err != nil {
		return station.Answer{}, err
	}
	if _, err := a.Sequence(); err != nil { // what the standard has no packet for
		return station.Answer{}, err
	}
	began := b.line.Now()
	acknowledged, err := b.access(a)
	return station.Answer{Acknowledged: acknowledged, Airtime: b.line.Now() - began}, err
}

// readRegister has the station read a register in a mode.
func (b *base) readRegister(ctx context.Context, mode nmra.Mode, cv nmra.CV) (value uint8, answer station.Answer, err error) {
	if err := b.ready(ctx); err != nil {
		return 0, station.Answer{}, err
	}
	if _, err := (nmra.Access{Mode: mode, CV: cv, Value: 1}).Sequence(); err != nil { // what the standard has no packet for
		return 0, station.Answer{}, err
	}
	c := b.profile.modes[mode].read
	if c == nil {
		return 0, station.Answer{}, fmt.Errorf("%v; %v: reading CV %d: its profile has no command for it: %w", &b.talker, mode, cv, nmra.ErrNotInMode)
	}
	began := b.line.Now()
	value, answer.Acknowledged, err = b.read(c, cv)
	answer.Airtime = b.line.Now() - began
	return value, answer, err
}

func (b *base) access(a nmra.Access) (acknowledged bool, err error) {
	s := b.profile.modes[a.Mode]
	switch {
	case a.Operation == nmra.Verify && s.verifyByte != nil:
		return b.acknowledged(s.verifyByte, a)
	case a.Operation == nmra.VerifyBit && s.verifyBit != nil:
		return b.acknowledged(s.verifyBit, a)
	case a.Operation == nmra.Write && s.writeByte != nil:
		return b.acknowledged(s.writeByte, a)
	case a.Operation == nmra.WriteBit && s.writeBit != nil:
		return b.acknowledged(s.writeBit, a)
	case a.Operation == nmra.WriteBit && s.writeByte != nil && s.read != nil:
		return b.bitByByte(s, a)
	case !a.Writes() && s.read != nil:
		// Each question reads anew. A value kept from the read before would answer for a noise that nobody has heard.
		value, ok, err := b.read(s.read, a.CV)
		return ok && holds(value, a), err
	}
	return false, fmt.Errorf("%v; %v: its profile has no command for it: %w", &b.talker, a, nmra.ErrNotInMode)
}

// holds says whether a value is what a question asks for.
func holds(value uint8, a nmra.Access) bool {
	if a.Operation == nmra.VerifyBit {
		return value>>a.Bit&1 == 1 == a.BitValue
	}
	return value == a.Value
}

// acknowledged does an access by its own command.
func (b *base) acknowledged(c *command, a nmra.Access) (bool, error) {
	one := &asked{command: c, arguments: ofAccess(a)}
	err := b.ask(one)
	return one.yes, err
}

// read has the station read a whole register. ok is false where nothing acknowledged.
func (b *base) read(c *command, cv nmra.CV) (value uint8, ok bool, err error) {
	one := &asked{command: c, arguments: ofAccess(nmra.Access{CV: cv})}
	if err := b.ask(one); err != nil || !one.yes {
		return 0, false, err
	}
	n := one.parts["value"]
	if n > 0xFF {
		return 0, false, fmt.Errorf("%v; its value is %d, want 0 to 255; see the base of the part value: %w", one, n, station.ErrStation)
	}
	return uint8(n), true, nil
}

// bitByByte writes a bit as a byte, out of what was read. The other bits must be right, so it takes two reads that agree.
func (b *base) bitByByte(s service, a nmra.Access) (acknowledged bool, err error) {
	value, ok, err := b.read(s.read, a.CV)
	if err != nil || !ok {
		return false, err
	}
	again, ok, err := b.read(s.read, a.CV)
	if err != nil || !ok {
		return false, err
	}
	if again != value {
		return false, fmt.Errorf("%v; %v: CV %d was read as %d and then as %d, so that nothing was written; clean the wheels and the rails: %w",
			&b.talker, a, a.CV, value, again, station.ErrStation)
	}
	a.Operation, a.Value = nmra.Write, value&^(1<<a.Bit)
	if a.BitValue {
		a.Value |= 1 << a.Bit
	}
	return b.acknowledged(s.writeByte, a)
}

// ofAccess are the placeholders of an access.
func ofAccess(a nmra.Access) arguments {
	return arguments{
		"cv": {int(a.CV)}, "cv_address": {int(a.CV) - 1},
		"value": {int(a.Value)}, "bit": {int(a.Bit)}, "bit_value": {flag(a.BitValue)},
	}
}

func flag(is bool) int {
	if is {
		return 1
	}
	return 0
}
