package nmra

import (
	"errors"
	"fmt"
	"time"
)

// Mode is one of the ways in which service mode reaches a configuration variable (S-9.2.3, section E).
type Mode uint8

const (
	Direct      Mode = iota // any CV, whole bytes and single bits
	Paged                   // any CV, whole bytes, through the page register
	Registers               // CV 1, 2, 3, 4, 29, 7 and 8 only, whole bytes
	AddressOnly             // CV 1 only, values 1 to 127
)

// Modes are all of them, the most able first.
var Modes = [...]Mode{Direct, Paged, Registers, AddressOnly}

// String is the name of the mode: "direct", "paged", "register", "address only".
func (m Mode) String() string {
	switch m {
	case Direct:
		return "direct"
	case Paged:
		return "paged"
	case Registers:
		return "register"
	case AddressOnly:
		return "address only"
	}
	return fmt.Sprintf("mode %d", uint8(m))
}

// Operation is what an [Access] does.
type Operation uint8

const (
	Verify    Operation = iota // is the CV equal to Value?
	Write                      // set the CV to Value
	VerifyBit                  // is the Bit of the CV equal to BitValue? Direct mode only
	WriteBit                   // set the Bit of the CV to BitValue. Direct mode only
)

// Access is one question to, or one change of, a configuration variable on the programming track. A decoder answers
// with an acknowledgement, a pulse of current, or not at all.
type Access struct {
	Mode      Mode
	Operation Operation
	CV        CV
	Value     uint8
	Bit       uint8 // 0 to 7
	BitValue  bool
	Lead      Lead
	Pace      Pace
}

// Lead is what a station plays before the packets of an [Access].
type Lead uint8

const (
	Entry      Lead = iota // the resets that lead into service mode, whatever came before
	AfterReset             // one reset: after an acknowledgement, or before the same question again. Verifies in direct mode only
	Onward                 // nothing: straight after a verify that was not acknowledged. Verifies in direct mode only
)

// Pace is how much time a decoder is given.
type Pace uint8

const (
	Standard Pace = iota // the least that S-9.2.3 asks a station for
	Slow                 // twice as many of each packet, for a decoder that does not keep up
)

// Writes says whether the access may change what the decoder holds.
func (a Access) Writes() bool { return a.Operation == Write || a.Operation == WriteBit }

// String says the access as a sentence: "direct: is CV 29 equal to 6?".
func (a Access) String() string {
	bit := 0
	if a.BitValue {
		bit = 1
	}
	switch a.Operation {
	case Verify:
		return fmt.Sprintf("%v: is CV %d equal to %d?", a.Mode, a.CV, a.Value)
	case Write:
		return fmt.Sprintf("%v: set CV %d to %d", a.Mode, a.CV, a.Value)
	case VerifyBit:
		return fmt.Sprintf("%v: is bit %d of CV %d equal to %d?", a.Mode, a.Bit, a.CV, bit)
	case WriteBit:
		return fmt.Sprintf("%v: set bit %d of CV %d to %d", a.Mode, a.Bit, a.CV, bit)
	}
	return fmt.Sprintf("%v: operation %d on CV %d", a.Mode, a.Operation, a.CV)
}

// Window says when a station listens for an acknowledgement during a [Step].
type Window uint8

const (
	Deaf        Window = iota // what is heard is not the answer
	AfterSecond               // from the end bit of the second packet of the step
	Listening                 // all the time
)

// Step is one packet of a [Sequence], sent several times with a long preamble.
type Step struct {
	Packet Packet
	Times  int // how often it is sent where nothing has been acknowledged
	Least  int // how often it is sent at least, once an acknowledgement has been seen
	Window Window
}

// Sequence is the packets of one [Access], for a station to play one step after the other. As soon as an acknowledgement
// is seen, in the step that it falls in and in all that follow, Least takes the place of Times (S-9.2.3, section E).
type Sequence []Step

// Airtime is how long the sequence is on the track when nothing is acknowledged, at nominal timing.
func (s Sequence) Airtime() time.Duration {
	var t time.Duration
	for _, step := range s {
		t += time.Duration(step.Times) * step.Packet.Airtime(LongPreamble)
	}
	return t
}

// Pulse is the nominal length of an acknowledgement (S-9.2.3, section D).
const Pulse = 6 * time.Millisecond

// AirtimeAcknowledged is how long it is on the track when the decoder acknowledges at once, as it does a verify: from the
// end of the second packet of a step that listens, for the length of a [Pulse].
func (s Sequence) AirtimeAcknowledged() time.Duration {
	var t time.Duration
	acknowledged := false
	for _, step := range s {
		packet, times := step.Packet.Airtime(LongPreamble), step.Times
		switch {
		case acknowledged:
			times = step.Least
		case step.Window == AfterSecond:
			acknowledged = true
			times = min(times, max(step.Least, 2+int((Pulse+packet-1)/packet)))
		}
		t += time.Duration(times) * packet
	}
	return t
}

// PowerOn is what a programming track plays when its power comes on, before anything else: at least 20 packets, in
// which a decoder starts up (S-9.2.3, section D).
func PowerOn() Sequence { return Sequence{resets(20)} }

// ErrNotInMode is what [Access.Sequence] returns, wrapped, for an access that its mode has no packet for.
var ErrNotInMode = errors.New("the mode has no packet for it")

// Sequence gives the packets of the access, by S-9.2.3, section E. Errors: a CV, bit or value out of range; [ErrNotInMode],
// also for a Lead other than [Entry] where the standard has none.
func (a Access) Sequence() (Sequence, error) {
	s, err := a.sequence()
	if a.Pace == Slow {
		for i := range s {
			s[i].Times *= 2
		}
	}
	return s, err
}

func (a Access) sequence() (Sequence, error) {
	if a.Lead != Entry && (a.Mode != Direct || a.Writes()) {
		return nil, fmt.Errorf("%v, without the resets before it: %w", a, ErrNotInMode)
	}
	if !a.CV.Valid() {
		return nil, fmt.Errorf("%v: CV %d, want 1 to %d", a, a.CV, MaxCV)
	}
	if a.Mode == Direct {
		return a.direct()
	}
	if a.Operation != Verify && a.Operation != Write {
		return nil, fmt.Errorf("%v: %w", a, ErrNotInMode)
	}
	register, page, ok := a.Mode.Register(a.CV)
	if !ok {
		return nil, fmt.Errorf("%v: %w", a, ErrNotInMode)
	}
	if a.Mode == AddressOnly && (a.Value < 1 || a.Value > MaxShort) {
		return nil, fmt.Errorf("%v: value %d, want 1 to %d", a, a.Value, MaxShort)
	}
	kind := RegisterVerify
	if a.Operation == Write {
		kind = RegisterWrite
	}
	choose, err := Instruction{Kind: RegisterWrite, Register: PageRegister, Value: page}.Encode()
	if err != nil {
		return nil, err
	}
	packet, err := Instruction{Kind: kind, Register: register, Value: a.Value}.Encode()
	if err != nil {
		return nil, err
	}
	s := Sequence{resets(3), {Packet: choose, Times: 5, Least: 5}, resets(6), resets(3)}
	switch {
	case a.Operation == Verify && a.Mode == Registers:
		return append(s, ask(packet, 7)), nil
	case a.Operation == Verify:
		return append(s, ask(packet, 5)), nil
	case a.Mode == AddressOnly, a.Mode == Registers && a.CV == 1:
		return append(s, ask(packet, 5), recovery(10)), nil
	default:
		return append(s, ask(packet, 5), recovery(6)), nil
	}
}

func (a Access) direct() (Sequence, error) {
	i := Instruction{CV: a.CV}
	switch a.Operation {
	case Verify, Write:
		i.Kind, i.Value = DirectVerify, a.Value
		if a.Operation == Write {
			i.Kind = DirectWrite
		}
	case VerifyBit, WriteBit:
		i.Kind, i.Bit, i.BitValue = DirectVerifyBit, a.Bit, a.BitValue
		if a.Operation == WriteBit {
			i.Kind = DirectWriteBit
		}
	default:
		return nil, fmt.Errorf("%v: %w", a, ErrNotInMode)
	}
	packet, err := i.Encode()
	if err != nil {
		return nil, fmt.Errorf("%v: %w", a, err)
	}
	if a.Writes() {
		return Sequence{resets(3), ask(packet, 5), recovery(6)}, nil
	}
	switch a.Lead {
	case AfterReset:
		return Sequence{resets(1), ask(packet, 5)}, nil
	case Onward:
		return Sequence{ask(packet, 5)}, nil
	}
	return Sequence{resets(3), ask(packet, 5)}, nil
}

// Register says which physical register, counted from 0, holds the CV in paged, register and address-only mode, and
// which value of the page register brings it there. ok is false where the mode does not reach the CV, and in direct mode.
func (m Mode) Register(cv CV) (register, page uint8, ok bool) {
	if !cv.Valid() {
		return 0, 0, false
	}
	switch m {
	case Paged:
		// The page register has eight bits: page 256, of CV 1021 to 1024, is written as 0 (from memory).
		return uint8((cv - 1) % 4), uint8((cv-1)/4 + 1), true
	case Registers:
		switch cv {
		case 1, 2, 3, 4:
			return uint8(cv - 1), 1, true
		case 29:
			return ConfigurationRegister, 1, true
		case 7:
			return VersionRegister, 1, true
		case 8:
			return MakerRegister, 1, true
		}
	case AddressOnly:
		return 0, 1, cv == 1
	}
	return 0, 0, false
}

func resets(times int) Step { return Step{Packet: seal(0, 0), Times: times, Least: times} }

func ask(p Packet, times int) Step {
	return Step{Packet: p, Times: times, Least: 2, Window: AfterSecond}
}

// recovery is the time in which a decoder's memory takes a write in, and in which its acknowledgement may still come.
func recovery(times int) Step {
	return Step{Packet: seal(0, 0), Times: times, Least: 1, Window: Listening}
}
