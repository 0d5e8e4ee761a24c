package chart

import (
	"fmt"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
	"fettle/nmra/wave/conform"
)

// toldStrip says the whole of a strip.
func toldStrip(s conform.Strip) string {
	var hex []byte
	for i, b := range s.Bytes() {
		if i > 0 {
			hex = append(hex, ' ')
		}
		hex = fmt.Appendf(hex, "%02X", b.Value)
	}
	bytes := "no whole byte of its packet came before it"
	if len(hex) > 0 {
		bytes = "bytes " + string(hex)
	}
	if s.Found.Kind == wave.PacketFound {
		return fmt.Sprintf("A packet without a fault behind %d ones: %s", s.Found.Preamble, bytes)
	}
	return sentence(atFault(s)) + "; " + bytes
}

// atFault says what is at fault, and which limit it breaks: what a decoder must accept.
func atFault(s conform.Strip) string {
	f := s.Found
	halves := s.Halves[s.From:min(s.To, len(s.Halves))]
	switch f.Fault {
	case wave.LongHalf:
		return fmt.Sprintf("a half of %s µs: %s (S-9.1)", number(us(f.Half)), tooLong(f.Half))
	case wave.ShortHalf:
		return fmt.Sprintf("a half of %s µs: %s (S-9.1)", number(us(f.Half)), tooShort(f.Half))
	case wave.UnevenOne:
		return fmt.Sprintf("halves of %s µs: those of a one may differ by 6 µs (S-9.1)", both(halves))
	case wave.LongZero:
		return fmt.Sprintf("halves of %s µs: a whole zero has 12000 µs at the most (S-9.1)", both(halves))
	case wave.ShortPreamble:
		return fmt.Sprintf("%d ones: a decoder takes no packet behind fewer than 10 (S-9.2)", f.Preamble)
	case wave.WrongCheck:
		return checked(f.Packet)
	case wave.MissingEnd:
		return "a 0 in place of the end bit, which is a 1 (S-9.2)"
	case wave.TooManyBytes:
		return fmt.Sprintf("a 0 behind %d bytes: no packet has more (S-9.2.1)", nmra.MaxBytes)
	case wave.CutShort:
		if f.Half > 0 {
			return fmt.Sprintf("a half of %s µs alone: the bit breaks off", number(us(f.Half)))
		}
		return "a packet that breaks off: the ones behind it fill its last byte"
	}
	return f.Fault.String()
}

func both(halves []time.Duration) string {
	var text string
	for i, half := range halves {
		if i > 0 {
			text += " and "
		}
		text += number(us(half))
	}
	return text
}

func tooLong(half time.Duration) string {
	if half < 90*time.Microsecond {
		return "that of a one has 64 µs at the most"
	}
	return "that of a zero has 10000 µs at the most"
}

func tooShort(half time.Duration) string {
	if half < 52*time.Microsecond {
		return "that of a one has 52 µs at the least"
	}
	return "that of a zero has 90 µs at the least"
}

// checked says which check byte a packet has, and which it should.
func checked(p nmra.Packet) string {
	if p.Len() == 0 {
		return wave.WrongCheck.String()
	}
	var want byte
	for i := range p.Len() - 1 {
		want ^= p.Byte(i)
	}
	return fmt.Sprintf("check byte %02X, not %02X, the exclusive OR of the bytes before it (S-9.2)", p.Byte(p.Len()-1), want)
}
