package fakes

import (
	"context"
	"fmt"
	"time"

	"fettle/nmra"
)

// turn is how long capstan takes to turn its attention to a line.
const turn = 2 * time.Millisecond

// capstan repeats each line that it hears, takes its time, and can read a register and write one. It turns its track on for each
// order and off after it, and what became of a write it does not tell.
func capstan(track Track) *Station {
	return &Station{track: track, end: []byte("\r"), answer: func(s *Station, line string) string {
		time.Sleep(turn)
		answer, err := s.capstan(line)
		if err != nil {
			answer = "amiss, " + err.Error()
		}
		return line + "\r\n" + answer + "\r\n"
	}}
}

func (s *Station) capstan(line string) (string, error) {
	ctx := context.Background()
	if _, err := s.track.PowerOn(ctx); err != nil {
		return "", err
	}
	defer s.track.PowerOff(ctx) // at the bench, this can't fail
	var cv, value int
	switch {
	case scan(line, "fetch %d", &cv):
		held, ok, err := s.read(nmra.CV(cv))
		if err != nil || !ok {
			return fmt.Sprintf("%04d = none", cv), err
		}
		return fmt.Sprintf("%04d = %03d", cv, held), nil
	case scan(line, "store %d %d", &cv, &value):
		_, err := s.access(nmra.Access{Operation: nmra.Write, CV: nmra.CV(cv), Value: uint8(value)})
		return fmt.Sprintf("%04d stored", cv), err
	}
	return "", fmt.Errorf("%q is no order", line)
}
