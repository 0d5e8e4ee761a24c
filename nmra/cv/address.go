package cv

import (
	"fmt"
	"strings"

	"fettle/nmra"
)

// Registers that decide what others mean (S-9.2.2).
const (
	PrimaryAddress nmra.CV = 1
	Version        nmra.CV = 7
	Maker          nmra.CV = 8
	LockKey        nmra.CV = 15 // writes are obeyed only while it equals LockNumber
	LockNumber     nmra.CV = 16
	ExtendedHigh   nmra.CV = 17
	ExtendedLow    nmra.CV = 18
	Consist        nmra.CV = 19
	Configuration  nmra.CV = 29
	IndexHigh      nmra.CV = 31
	IndexLow       nmra.CV = 32
	ExtendedMaker  nmra.CV = 107 // and 108, where Maker holds MakerIsExtended
)

// Bits of [Configuration] (S-9.2.2).
const (
	ReversedBit        uint8 = 0
	StepsBit           uint8 = 1 // 28 and 128 steps, else 14
	ExtendedAddressBit uint8 = 5
	AccessoryBit       uint8 = 7
)

// Values with a meaning of their own.
const (
	MakerIsExtended uint8 = 238 // in Maker: the number is in 107 and 108 (S-9.2.2)
	MakerResetting  uint8 = 255 // in Maker: a factory reset is not complete (S-9.2.3, section E)
	ConsistReversed uint8 = 128 // in Consist: the vehicle runs the other way round (S-9.2.2)

	lowestExtendedHigh  = 192
	highestExtendedHigh = 231
)

// LongAddress gives what CV 17 and 18 hold for a long address, 0 to 10239 (S-9.2.2); ok is false above.
func LongAddress(n uint16) (cv17, cv18 uint8, ok bool) {
	if n > nmra.MaxLong {
		return 0, 0, false
	}
	return lowestExtendedHigh + uint8(n>>8), uint8(n), true
}

// LongAddressIn is the long address that CV 17 and 18 hold; ok is false where CV 17 is not 192 to 231 (S-9.2.2).
func LongAddressIn(cv17, cv18 uint8) (n uint16, ok bool) {
	if cv17 < lowestExtendedHigh || cv17 > highestExtendedHigh {
		return 0, false
	}
	return uint16(cv17-lowestExtendedHigh)<<8 | uint16(cv18), true
}

// InUse is the address that a decoder answers to, with what decides it.
type InUse struct {
	Address         nmra.Address // short or long; the zero Address where it is not known
	Known           bool
	Consist         uint8 // 1 to 127: the consist that it runs in as well; 0: none, or not known
	ConsistReversed bool
	Reasons         []string   // in words, one fact each; why not, where the address is not known
	Missing         []Register // that would have to be read to know more
}

// String is the address and its reasons: "4203, long: registers 17 and 18 hold 208 and 107, bit 5 of 29 is set".
func (u InUse) String() string {
	what := "not known"
	switch {
	case u.Known && u.Address.Kind == nmra.Long:
		what = fmt.Sprintf("%d, long", u.Address.Number)
	case u.Known:
		what = fmt.Sprintf("%d, short", u.Address.Number)
	}
	return what + ": " + strings.Join(u.Reasons, ", ")
}

// AddressInUse finds the address that a decoder answers to, from registers 1, 17, 18, 19 and 29 (S-9.2.2). Which of them it needs
// depends on bit 5 of 29; what is missing, or holds no address, is said.
func AddressInUse(v Values) InUse {
	var u InUse
	u.own(v)
	u.consist(v)
	return u
}

func (u *InUse) own(v Values) {
	configuration, ok := u.need(v, Configuration)
	switch {
	case !ok:
	case configuration&(1<<AccessoryBit) != 0:
		u.because("bit 7 of 29 is set: an accessory decoder, whose address is not kept as a vehicle's is")
	case configuration&(1<<ExtendedAddressBit) != 0:
		high, okHigh := u.need(v, ExtendedHigh)
		low, okLow := u.need(v, ExtendedLow)
		if !okHigh || !okLow {
			u.because("bit 5 of 29 is set")
			return
		}
		n, ok := LongAddressIn(high, low)
		if !ok {
			u.because("register 17 holds %d, a long address needs 192 to 231 there", high)
		} else {
			u.Address, u.Known = nmra.Address{Kind: nmra.Long, Number: n}, true
			u.because("registers 17 and 18 hold %d and %d", high, low)
		}
		u.because("bit 5 of 29 is set")
	default:
		n, ok := u.need(v, PrimaryAddress)
		if !ok {
			u.because("bit 5 of 29 is not set")
			return
		}
		if n < 1 || n > nmra.MaxShort {
			u.because("register 1 holds %d, a short address is 1 to 127", n)
		} else {
			u.Address, u.Known = nmra.Address{Kind: nmra.Short, Number: uint16(n)}, true
			u.because("register 1 holds %d", n)
		}
		u.because("bit 5 of 29 is not set")
	}
}

func (u *InUse) consist(v Values) {
	n, ok := u.need(v, Consist)
	u.Consist = n &^ ConsistReversed
	if !ok || u.Consist == 0 {
		return
	}
	u.ConsistReversed = n&ConsistReversed != 0
	if u.ConsistReversed {
		u.because("on top consist %d, running reversed: register 19 holds %d", u.Consist, n)
	} else {
		u.because("on top consist %d: register 19 holds %d", u.Consist, n)
	}
}

func (u *InUse) need(v Values, n nmra.CV) (uint8, bool) {
	r := Register{CV: n}
	held, ok := v[r]
	if !ok {
		u.Missing = append(u.Missing, r)
		u.because("register %v was not read", r)
	}
	return held, ok
}

func (u *InUse) because(format string, args ...any) {
	u.Reasons = append(u.Reasons, fmt.Sprintf(format, args...))
}
