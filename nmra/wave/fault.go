package wave

import (
	"fmt"
	"strings"
)

// Fault is what is wrong with a signal: what a [Sender] does on purpose, and what a [Scanner] finds.
type Fault uint8

const (
	NoFault       Fault = iota
	LongHalf            // a half too long for its bit
	ShortHalf           // a half too short for its bit
	UnevenOne           // the halves of a one differ by more than 6 µs
	LongZero            // a whole zero of more than 12000 µs
	ShortPreamble       // fewer than 10 ones before a packet
	WrongCheck          // the last byte is not the exclusive OR of all before it
	MissingEnd          // a 0 in place of the end bit
	CutShort            // a packet, or a bit, that breaks off
	TooManyBytes        // more than six; only received, since no nmra.Packet has them
)

var faultWords = [...]string{"no fault", "long half", "short half", "uneven one", "long zero", "short preamble", "wrong check", "missing end",
	"cut short", "too many bytes"}

// String is the fault in two or three words: "long half".
func (f Fault) String() string {
	if int(f) < len(faultWords) {
		return faultWords[f]
	}
	return fmt.Sprintf("fault %d", uint8(f))
}

// InBits reports whether it is a fault of whole bits, so that bits without their halves show it.
func (f Fault) InBits() bool {
	return f == ShortPreamble || f == WrongCheck || f == MissingEnd || f == CutShort || f == TooManyBytes
}

// Faults lists those that a [Sender] can send.
func Faults() []Fault {
	return []Fault{LongHalf, ShortHalf, UnevenOne, LongZero, ShortPreamble, WrongCheck, MissingEnd, CutShort}
}

// ParseFault takes the words of one of [Faults], with hyphens or spaces between them.
func ParseFault(text string) (Fault, error) {
	var all []string
	for _, f := range Faults() {
		name := strings.ReplaceAll(f.String(), " ", "-")
		if strings.ReplaceAll(text, " ", "-") == name {
			return f, nil
		}
		all = append(all, name)
	}
	return NoFault, fmt.Errorf("fault %q: want one of %s", text, strings.Join(all, ", "))
}
