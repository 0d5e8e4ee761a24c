package main

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"fettle/nmra/cv"
)

// parseRegisters reads arguments of the form REG alone.
func parseRegisters(args []string, parseRange func(string) ([]cv.Register, error)) ([]cv.Register, error) {
	registers, values, err := parseSettings(args, parseRange)
	if err == nil && len(values) > 0 {
		err = errors.New("found a value, want registers only")
	}
	return registers, err
}

// parseSettings reads arguments of the form REG, which parseRange reads, and REG=VALUE. The registers are in the order of
// the arguments; a register that comes twice is an error.
func parseSettings(args []string, parseRange func(string) ([]cv.Register, error)) (registers []cv.Register, values cv.Values, err error) {
	values = cv.Values{}
	seen := map[cv.Register]bool{}
	for _, arg := range args {
		notation, text, valued := strings.Cut(arg, "=")
		rs, err := parseRange(notation)
		if err != nil {
			return nil, nil, err
		}
		if valued {
			if len(rs) > 1 {
				return nil, nil, fmt.Errorf("%s: a value goes to one register, not to a range", arg)
			}
			v, err := strconv.ParseUint(text, 10, 8)
			if err != nil {
				return nil, nil, fmt.Errorf("%s: found %q, want a value from 0 to 255", arg, text)
			}
			values[rs[0]] = uint8(v)
		}
		for _, r := range rs {
			if seen[r] {
				return nil, nil, fmt.Errorf("%s: register %v comes twice", arg, r)
			}
			seen[r] = true
		}
		registers = append(registers, rs...)
	}
	return registers, values, nil
}
