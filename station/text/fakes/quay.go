package fakes

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"fettle/nmra"
)

// quay speaks in words: "ask cv 29 bit 3 is 1" is answered with "aye" or "nay". Now and then it says how the tide stands.
func quay(track Track) *Station {
	return &Station{track: track, end: []byte("\r"), answer: func(s *Station, line string) string {
		answer, err := s.quay(strings.Fields(line))
		if err != nil {
			answer = "muddle: " + err.Error()
		}
		if s.lines%7 == 3 {
			answer = fmt.Sprintf("tide %02d:%02d\r\n%s", s.lines/60%24, s.lines%60, answer)
		}
		return answer + "\r\n"
	}}
}

var quayModes = map[string]nmra.Mode{"paged": nmra.Paged, "plain": nmra.Registers, "first": nmra.AddressOnly}

// errWords is what it says of what it does not know.
var errWords = fmt.Errorf("what do you mean")

func (s *Station) quay(words []string) (string, error) {
	if len(words) < 2 {
		return "", errWords
	}
	ctx := context.Background()
	switch verb := words[0]; verb {
	case "bench", "layout":
		if words[1] == "dead" {
			return verb + " dead", s.track.PowerOff(ctx)
		}
		draw, err := s.track.PowerOn(ctx)
		return fmt.Sprintf("%s live %.0f", verb, draw.Rest), err
	case "ask", "put", "tell":
		return s.quayAccess(verb, words[1:])
	case "packet":
		return s.quayPacket(words[1:])
	case "vehicle":
		return s.quayVehicle(words[1:])
	}
	return "", errWords
}

// quayAccess does "cv 29 bit 3 is 1", with a mode before it or none.
func (s *Station) quayAccess(verb string, words []string) (string, error) {
	var a nmra.Access
	if mode, ok := quayModes[words[0]]; ok {
		a.Mode, words = mode, words[1:]
	}
	text := strings.Join(words, " ")
	var cv, bit, value int
	switch {
	case verb == "tell" && scan(text, "cv %d", &cv):
		held, ok, err := s.read(nmra.CV(cv))
		if err != nil || !ok {
			return "nobody answers", err
		}
		return fmt.Sprintf("holds %d %d", cv, held), nil
	case verb == "ask" && scan(text, "cv %d is %d", &cv, &value):
		a.Operation = nmra.Verify
	case verb == "put" && scan(text, "cv %d to %d", &cv, &value):
		a.Operation = nmra.Write
	case verb == "ask" && scan(text, "cv %d bit %d is %d", &cv, &bit, &value):
		a.Operation = nmra.VerifyBit
	case verb == "put" && scan(text, "cv %d bit %d to %d", &cv, &bit, &value):
		a.Operation = nmra.WriteBit
	default:
		return "", errWords
	}
	a.CV, a.Bit, a.Value = nmra.CV(cv), uint8(bit), uint8(value)
	if a.Operation >= nmra.VerifyBit {
		a.Value, a.BitValue = 0, value == 1
	}
	return ayeOrNay(s.access(a))
}

func scan(text, format string, to ...any) bool {
	var rest string
	n, _ := fmt.Sscanf(text+" .", format+" %s", append(to, &rest)...)
	return n == len(to)+1 && rest == "."
}

func ayeOrNay(yes bool, err error) (string, error) {
	if yes {
		return "aye", err
	}
	return "nay", err
}

// quayPacket does "37 74 43 by 2".
func (s *Station) quayPacket(words []string) (string, error) {
	times := len(words) - 1
	if times < 2 || words[times-1] != "by" {
		return "", errWords
	}
	var octets []byte
	for _, w := range words[:times-1] {
		n, err := strconv.ParseUint(w, 16, 8)
		if err != nil {
			return "", errWords
		}
		octets = append(octets, byte(n))
	}
	p, err := nmra.NewPacket(octets...)
	if err != nil {
		return "", err
	}
	n, err := strconv.Atoi(words[times])
	if err != nil {
		return "", errWords
	}
	return ayeOrNay(true, s.track.Send(context.Background(), p, n))
}

// quayVehicle does "4203 long ahead 12 of 128" and "3 short lamp 0 on".
func (s *Station) quayVehicle(words []string) (string, error) {
	var number, step, steps, function int
	var length, way, state string
	text := strings.Join(words, " ")
	switch {
	case scan(text, "%d %s lamp %d %s", &number, &length, &function, &state):
		return ayeOrNay(true, s.lamp(address(number, length == "long"), function, state == "on"))
	case scan(text, "%d %s %s %d of %d", &number, &length, &way, &step, &steps):
		return ayeOrNay(true, s.drive(address(number, length == "long"), step, steps, way == "ahead"))
	}
	return "", errWords
}

func address(number int, long bool) nmra.Address {
	if long {
		return nmra.Address{Kind: nmra.Long, Number: uint16(number)}
	}
	return nmra.Address{Kind: nmra.Short, Number: uint16(number)}
}

func (s *Station) drive(to nmra.Address, step, steps int, forward bool) error {
	i := nmra.Instruction{Kind: nmra.Speed, Address: to, Step: uint8(step), Steps: nmra.Steps(steps), Forward: forward}
	if step == 0 {
		i.Kind = nmra.Stop
	}
	return s.send(i, 2)
}

// lamp switches one function, and the others of its group off: it remembers none.
func (s *Station) lamp(to nmra.Address, function int, on bool) error {
	i := nmra.Instruction{Kind: nmra.Functions, Address: to}
	for ; i.Group <= nmra.F21toF28; i.Group++ {
		if first, last := i.Group.Span(); function >= int(first) && function <= int(last) {
			if on {
				i.States = 1 << (function - int(first))
			}
			return s.send(i, 2)
		}
	}
	return errWords
}
