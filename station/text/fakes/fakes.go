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
	"sync"

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

	// together, where it is set, puts the answers to lines that came at the same time in order.
	together func(s *Station, answers []string) string

	mu    sync.Mutex // held while lines are answered, not while they are waited for; guards what follows, and the track
	lines int        // that it got
	spoil func(n int, line, answer string) (string, error)
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
		var answers string
		if answers, held, err = s.hear(held); err != nil {
			return err
		}
		if _, err := io.WriteString(port, answers); err != nil {
			return err
		}
	}
}

// hear answers the lines that have come in whole, and gives what is left.
func (s *Station) hear(held []byte) (all string, left []byte, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var answers []string
	for {
		line, rest, ok := bytes.Cut(held, s.end)
		if !ok {
			break
		}
		s.lines++
		answer := s.answer(s, string(line))
		if s.spoil != nil {
			if answer, err = s.spoil(s.lines, string(line), answer); err != nil {
				return "", nil, err
			}
		}
		answers, held = append(answers, answer), rest
	}
	if s.together != nil {
		return s.together(s, answers), held, nil
	}
	return strings.Join(answers, ""), held, nil
}

// Spoil has what is sent back to the n-th line, from 1, changed. An error ends [Station.Serve].
func (s *Station) Spoil(change func(n int, line, answer string) (string, error)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.spoil = change
}

// Lines is how many lines it got.
func (s *Station) Lines() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.lines
}

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
