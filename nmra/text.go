package nmra

import (
	"fmt"
	"strconv"
	"strings"
)

// TextError says where a text is not that of a packet.
type TextError struct {
	At    int    // the character, from 1, spaces counted; behind the last one where something is missing
	Found string // "" where the text ends too soon
	Want  string
}

func (e *TextError) Error() string {
	if e.Found == "" {
		return fmt.Sprintf("packet: it ends before character %d, want %s", e.At, e.Want)
	}
	return fmt.Sprintf("packet: character %d: found %q, want %s", e.At, e.Found, e.Want)
}

// ReadPacket reads the bytes of a packet, the check byte included, as [Packet.String] writes them: in hexadecimal, with or without
// spaces, each group of digits with or without 0x before it. It also reads the bits of one packet as [Packet.BitString] writes them,
// behind any preamble or none; spaces between them are passed over. It does not ask whether the bytes mean anything.
// Errors: [*TextError]; that of [NewPacket].
func ReadPacket(text string) (Packet, error) {
	const digits = 2 * MaxBytes
	bits := 0
	for _, c := range text {
		switch {
		case c == '0' || c == '1':
			bits++
		case !space(c):
			return readHex(text)
		}
	}
	if bits > digits {
		return readBits(text)
	}
	return readHex(text)
}

func space(c rune) bool { return c == ' ' || c == '\t' || c == '\n' || c == '\r' }

func readHex(text string) (Packet, error) {
	const want = "bytes of two hexadecimal digits each, as 37 74 43"
	var bytes []byte
	for start := 0; start < len(text); {
		if space(rune(text[start])) {
			start++
			continue
		}
		end := start
		for end < len(text) && !space(rune(text[end])) {
			end++
		}
		digits := start
		if word := text[start:end]; strings.HasPrefix(word, "0x") || strings.HasPrefix(word, "0X") {
			digits += 2
		}
		if digits == end {
			return Packet{}, &TextError{start + 1, text[start:end], want}
		}
		for ; digits < end; digits += 2 {
			pair := text[digits:min(digits+2, end)]
			b, err := strconv.ParseUint(pair, 16, 8)
			if err != nil || len(pair) < 2 {
				return Packet{}, &TextError{digits + 1, pair, want}
			}
			bytes = append(bytes, byte(b))
		}
		start = end
	}
	return NewPacket(bytes...)
}

func readBits(text string) (Packet, error) {
	var bytes []byte
	var b byte
	place := -1 // of the next bit in its byte; 0 is the start bit, -1 the preamble
	ended := false
	for i, c := range text {
		one := c == '1'
		switch {
		case space(c):
			continue
		case ended:
			return Packet{}, &TextError{i + 1, string(c), "nothing after the end bit"}
		case place < 0 && one:
			continue
		case place <= 0:
			ended, place, b = one, 1, 0
			continue
		}
		b = b<<1 | flag(one, 1)
		if place++; place > 8 {
			bytes, place = append(bytes, b), 0
		}
	}
	switch {
	case ended:
		return NewPacket(bytes...)
	case place < 0:
		return Packet{}, &TextError{len(text) + 1, "", "a 0 after the preamble, then bytes"}
	case place == 0:
		return Packet{}, &TextError{len(text) + 1, "", "the end bit 1, or a start bit 0 and a byte"}
	}
	return Packet{}, &TextError{len(text) + 1, "", fmt.Sprintf("%d more of the 8 bits of a byte", 9-place)}
}
