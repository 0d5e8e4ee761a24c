package capture

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

const (
	mostVariables = 4096 // of a dump, where none is named; and of those that are kept beside the one named
	longestName   = 1024 // bytes of a variable with its scopes
	longestCode   = 64   // bytes
)

// vcd reads a value change dump (IEEE 1364-2005, clause 18): declarations, then instants, each with the values that change there.
// vcd.go has the declarations, changes.go the changes.
type vcd struct {
	text      words
	variables []variable
	scope     []byte // those that are open, each with a point behind it
	depths    []int  // of scope, where each begins

	// An instant is so many units of the timescale from the beginning. Multiplied, or divided and rounded, it is a time.Duration.
	multiply, divide uint64
	latest           uint64 // instant that a time.Duration can hold

	changes
}

// variable is a declared variable.
type variable struct {
	name, code string
	bits       int // 0: it is no level, but a real number or an event
	real       bool
}

// newVCD reads the declarations. Of a dump with any number of variables those with one of the names are kept, and the first.
func newVCD(from io.Reader, names []string) (reader, error) {
	v := &vcd{text: newWords(from)}
	for begun := false; ; {
		word, err := v.declared("$enddefinitions")
		if err != nil {
			return nil, err
		}
		if begun = begun || word[0] == '$'; !begun {
			continue // what stands before the first declaration is no part of the dump
		}
		switch string(word) {
		case "$timescale":
			err = v.timescale()
		case "$scope":
			err = v.enter()
		case "$upscope":
			err = v.leave()
		case "$var":
			err = v.declare(names)
		case "$enddefinitions":
			if v.latest == 0 {
				return nil, v.text.syntaxError(v.text.word, string(word), "a $timescale before it")
			}
			return v, v.ends()
		default:
			if word[0] != '$' || string(word) == endMark {
				return nil, v.unlike(word, "a declaration: $timescale, $scope, $var, $enddefinitions")
			}
			err = v.text.skip() // $comment, $date, $version
		}
		if err != nil {
			return nil, err
		}
	}
}

// declared takes the next word of the declarations.
func (v *vcd) declared(want string) ([]byte, error) {
	word, err := v.text.next()
	if err == io.EOF {
		return nil, v.text.syntaxError(v.text.read, "", want)
	}
	return word, err
}

// argument takes a word that is no command.
func (v *vcd) argument(want string) ([]byte, error) {
	word, err := v.declared(want)
	if err == nil && string(word) == endMark {
		return nil, v.unlike(word, want)
	}
	return word, err
}

// ends takes the $end of a command.
func (v *vcd) ends() error {
	word, err := v.declared(endMark)
	if err == nil && string(word) != endMark {
		return v.unlike(word, endMark)
	}
	return err
}

// unlike is the error of the word that was taken last, or of words up to it.
func (v *vcd) unlike(word []byte, want string) error {
	return v.text.syntaxError(v.text.word, string(word), want)
}

// timescale takes the unit of time: 1, 10 or 100 s, ms, us, ns, ps or fs.
func (v *vcd) timescale() error {
	const want = "1, 10 or 100, and s, ms, us, ns, ps or fs"
	var text []byte
	for {
		word, err := v.declared(endMark)
		if err != nil {
			return err
		}
		if string(word) == endMark {
			break
		}
		if text = append(text, word...); len(text) > longestFound {
			return v.unlike(text, want)
		}
	}
	// In femtoseconds, a nanosecond is 10^6 of them.
	units := map[string]uint64{"s": 1e15, "ms": 1e12, "us": 1e9, "ns": 1e6, "ps": 1e3, "fs": 1}
	number := strings.TrimRight(string(text), "munpfs")
	unit, ok := units[string(text[len(number):])]
	if !ok || number != "1" && number != "10" && number != "100" {
		return v.unlike(text, want)
	}
	for ; len(number) > 1; number = number[1:] {
		unit *= 10
	}
	v.multiply, v.divide = max(1, unit/1e6), max(1, 1e6/unit)
	v.latest = math.MaxInt64 / v.multiply
	if v.divide > 1 {
		v.latest = math.MaxUint64 - v.divide
	}
	return nil
}

// enter opens a scope.
func (v *vcd) enter() error {
	if _, err := v.argument("the type of a scope"); err != nil {
		return err
	}
	name, err := v.argument("the name of a scope")
	if err != nil {
		return err
	}
	if len(v.scope)+len(name) >= longestName {
		return v.unlike(name, fmt.Sprintf("scopes with names of fewer than %d bytes in all", longestName))
	}
	v.depths = append(v.depths, len(v.scope))
	v.scope = append(append(v.scope, name...), '.')
	return v.ends()
}

// leave closes the scope that was opened last.
func (v *vcd) leave() error {
	last := len(v.depths) - 1
	if last < 0 {
		return v.text.syntaxError(v.text.word, "$upscope", "a $scope before it")
	}
	v.scope, v.depths = v.scope[:v.depths[last]], v.depths[:last]
	return v.ends()
}

// declare takes a variable.
func (v *vcd) declare(names []string) error {
	word, err := v.argument("the type of a variable")
	if err != nil {
		return err
	}
	var declared variable
	kind := string(word)
	declared.real = kind == "real" || kind == "realtime"
	if word, err = v.argument("the bits of a variable"); err != nil {
		return err
	}
	bits, err := strconv.Atoi(string(word))
	if err != nil || bits < 0 || bits == 0 && !declared.real && kind != "event" {
		return v.unlike(word, "the bits of a variable, 1 or more")
	}
	if !declared.real && kind != "event" {
		declared.bits = bits
	}
	if word, err = v.argument("the code of a variable"); err != nil {
		return err
	}
	if len(word) > longestCode {
		return v.unlike(word, fmt.Sprintf("a code of up to %d bytes", longestCode))
	}
	var room [longestCode]byte // what is not kept allocates nothing
	code := append(room[:0], word...)
	if word, err = v.argument("the name of a variable"); err != nil {
		return err
	}
	name := append(v.scope, word...) // in the room behind the scopes
	for {
		if len(name) > longestName {
			return v.unlike(word, fmt.Sprintf("a name of up to %d bytes, with the scopes it is in", longestName))
		}
		if word, err = v.declared(endMark); err != nil {
			return err
		}
		if string(word) == endMark {
			break
		}
		if strings.Trim(string(word), "[0123456789-:]") != "" {
			return v.unlike(word, "an index, or $end")
		}
		name = append(name, word...) // [0] or [7:0]
	}
	v.scope = name[:len(v.scope)]
	part := name[bytes.LastIndexByte(name, '.')+1:]
	asked := slices.ContainsFunc(names, func(n string) bool { return n == string(name) || n == string(part) })
	switch {
	case len(v.variables) < mostVariables, asked && len(v.variables) < 2*mostVariables:
		declared.name, declared.code = string(name), string(code)
		v.variables = append(v.variables, declared)
	case len(names) == 0:
		return fmt.Errorf("VCD: more than %d variables: name the one with the signal", mostVariables)
	}
	return nil
}

func (v *vcd) channels() []Channel {
	all := make([]Channel, len(v.variables))
	for i, declared := range v.variables {
		all[i].Name = declared.name
	}
	return all
}

func (v *vcd) choose(signal, current int) (Info, error) {
	chosen := v.variables[signal]
	what := fmt.Sprintf("%d bits wide", chosen.bits)
	switch {
	case chosen.real:
		what = "a real number"
	case chosen.bits == 0:
		what = "an event"
	}
	if chosen.bits != 1 {
		return Info{}, fmt.Errorf("channel %q is %s: want a wire of one bit for the signal", chosen.name, what)
	}
	v.signal = chosen.code
	if current >= 0 {
		chosen = v.variables[current]
		if chosen.bits != 1 && !chosen.real {
			return Info{}, fmt.Errorf("channel %q is no wire of one bit, nor a real number: want one of them for the current", chosen.name)
		}
		v.current, v.real = chosen.code, chosen.real
	}
	v.variables = nil
	info := Info{Step: time.Duration(v.multiply)}
	if v.divide > 1 {
		info.Step = 0
	}
	return info, nil
}
