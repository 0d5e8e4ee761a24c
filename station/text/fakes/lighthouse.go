package fakes

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"fettle/nmra"
)

// lighthouse begins each line with bytes that are no text and with a tag, which it gives back. What comes at the same time it answers
// in any order, here in the reverse one, and tells in between what current flows.
func lighthouse(track Track) *Station {
	return &Station{track: track, end: []byte("\x03"),
		answer: func(s *Station, line string) string {
			body, ok := strings.CutPrefix(line, "\xF5\x02")
			if !ok || len(body) < 3 {
				return beam("\xA000no line")
			}
			tag := body[1:3]
			yes, err := s.beam(body[0], body[3:])
			switch {
			case err != nil:
				return beam("\xA0" + tag + err.Error())
			case yes:
				return beam("\xA1" + tag + "+")
			}
			return beam("\xA1" + tag + "-")
		},
		together: func(s *Station, answers []string) string {
			slices.Reverse(answers)
			return strings.Join(answers, beam(fmt.Sprintf("\xB0flow %03X", s.lines%4096)))
		},
	}
}

// beam puts a line of its own together. What stands before the start of a line is nothing.
func beam(body string) string { return "\x00\xF5\x02" + body + "\x03" }

// What the first byte of its lines asks for.
const (
	beamVerify   = 0x81
	beamBit      = 0x82
	beamWrite    = 0x83
	beamWriteBit = 0x84
	beamDrive    = 0x85
	beamFunction = 0x86
	beamOn       = 0x87
	beamOff      = 0x88
)

// beam does one of its commands: digits are hexadecimal, of a fixed width.
func (s *Station) beam(verb byte, digits string) (yes bool, err error) {
	var at, value, bit, number, long, n int
	ctx := context.Background()
	switch {
	case verb == beamOn && digits == "":
		_, err := s.track.PowerOn(ctx)
		return true, err
	case verb == beamOff && digits == "":
		return true, s.track.PowerOff(ctx)
	case (verb == beamVerify || verb == beamWrite) && scan(digits, "%3x%2x", &at, &value):
		a := nmra.Access{CV: nmra.CV(at + 1), Value: uint8(value)}
		if verb == beamWrite {
			a.Operation = nmra.Write
		}
		return s.access(a)
	case (verb == beamBit || verb == beamWriteBit) && scan(digits, "%3x%1x%1x", &at, &bit, &value):
		a := nmra.Access{Operation: nmra.VerifyBit, CV: nmra.CV(at + 1), Bit: uint8(bit), BitValue: value == 1}
		if verb == beamWriteBit {
			a.Operation = nmra.WriteBit
		}
		return s.access(a)
	case verb == beamDrive && scan(digits, "%4x%1d%2x%1d", &number, &long, &n, &value):
		return true, s.drive(address(number, long == 1), n, int(nmra.Steps128), value == 1)
	case verb == beamFunction && scan(digits, "%4x%1d%2x%1d", &number, &long, &n, &value):
		return true, s.lamp(address(number, long == 1), n, value == 1)
	}
	return false, fmt.Errorf("%q", digits)
}
