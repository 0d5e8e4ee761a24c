// Package fakes is three invented command stations that speak lines of text, each in a manner of its own, with a track of the bench
// behind them: what is asked of them is done on it, by accesses to the decoders that stand there. They prove station/text, and people
// try it on them. No station that exists speaks so.
//
// Start with [New] and [Station.Serve]. Each has its profile in testdata/stations.
package fakes

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"fettle/nmra"
	"fettle/station"
)

// Track is what a fake needs behind it. A *bench.Bench is one.
type Track interface {
	station.ProgrammingTrack
	station.Main
}

// Station is one of the fakes.
type Station struct {
	track  Track
	end    []byte // of a line that it gets
	answer func(s *Station, line string) string
	lines  int // that it got

	// Together, where it is set, puts the answers to lines that came at the same time in order.
	together func(s *Station, answers []string) string

	// Spoil, where it is set, may change what is sent back to the n-th line, from 1. An error ends [Station.Serve].
	Spoil func(n int, line, answer string) (string, error)
}

var manners = map[string]func(Track) *Station{"quay": quay, "lighthouse": lighthouse, "capstan": capstan}

// Names are those that [New] takes.
func Names() []string { return slices.Sorted(maps.Keys(manners)) }

// New is a fake of a manner: "quay" speaks in words, "lighthouse" in bytes that are no text, with answers out of order, "capstan"
// repeats what it hears and can only read and write.
func New(manner string, track Track) (*Station, error) {
	make, ok := manners[manner]
	if !ok {
		return nil, fmt.Errorf("fake station %q: want one of %s", manner, strings.Join(Names(), ", "))
	}
	return make(track), nil
}

// Serve answers what comes in, until it ends.
func (s *Station) Serve(port io.ReadWriter) error {
	var held []byte
	b := make([]byte, 4096)
	for {
		n, err := port.Read(b)
		if err != nil {
			return err
		}
		held = append(held, b[:n]...)
		var answers []string
		for {
			line, rest, ok := bytes.Cut(held, s.end)
			if !ok {
				break
			}
			s.lines++
			answer := s.answer(s, string(line))
			if s.Spoil != nil {
				if answer, err = s.Spoil(s.lines, string(line), answer); err != nil {
					return err
				}
			}
			answers, held = append(answers, answer), rest
		}
		all := strings.Join(answers, "")
		if s.together != nil {
			all = s.together(s, answers)
		}
		if _, err := io.WriteString(port, all); err != nil {
			return err
		}
	}
}

// Lines is how many lines it got.
func (s *Station) Lines() int { return s.lines }

// access does one access on the track.
func (s *Station) access(a nmra.Access) (acknowledged bool, err error) {
	answer, err := s.track.Service(context.Background(), a)
	return answer.Acknowledged, err
}

// read reads a register in direct mode as a simple station does it: bit by bit, and then the whole byte.
func (s *Station) read(cv nmra.CV) (value uint8, ok bool, err error) {
	for bit := range uint8(8) {
		one, err := s.access(nmra.Access{Operation: nmra.VerifyBit, CV: cv, Bit: bit, BitValue: true})
		if err != nil {
			return 0, false, err
		}
		if one {
			value |= 1 << bit
		}
	}
	ok, err = s.access(nmra.Access{Operation: nmra.Verify, CV: cv, Value: value})
	return value, ok, err
}

// send sends an instruction on the main.
func (s *Station) send(i nmra.Instruction, times int) error {
	p, err := i.Encode()
	if err != nil {
		return err
	}
	return s.track.Send(context.Background(), p, times)
}
