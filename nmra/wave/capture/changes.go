package capture

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"time"

	"fettle/nmra/wave"
)

// changes is how far a dump has been read, behind its declarations.
type changes struct {
	signal  string // the code of the variable with the signal
	current string // the code of the one with the current; "" for none
	real    bool   // the current is a real number, in milliamps; else a level

	now uint64 // instant

	edges edges

	heard     bool // a current
	milliamps wave.Milliamps
	ahead     []Current // behind the last half, for a later batch
}

// level is what a wire is. A dump says too of a wire that it is in no level, or off: then it stays what it was.
type level uint8

const (
	unknown level = iota
	low
	high
)

func (v *vcd) next(b *Batch) error {
	b.Start = v.edges.last
	b.Current = append(b.Current, v.ahead...)
	v.ahead = v.ahead[:0]
	var err error
	for err == nil && !full(b) {
		if err = v.take(b); err == nil && !full(b) {
			err = v.text.more()
		}
	}
	if err == io.EOF && v.text.pos < v.text.whole {
		err = v.text.syntaxError(v.text.whole, "", "the code of a variable behind its value")
	}
	if err != nil {
		v.edges.end(b)
	}
	if len(b.Halves) == 0 {
		return err
	}
	keep := len(b.Current)
	for keep > 0 && b.Current[keep-1].At > v.edges.last {
		keep--
	}
	v.ahead = append(v.ahead, b.Current[keep:]...)
	b.Current = b.Current[:keep]
	if err == io.EOF && len(v.ahead) > 0 {
		return nil // it comes again
	}
	return err
}

func full(b *Batch) bool { return len(b.Halves) >= batchHalves || len(b.Current) >= batchHalves }

const wantValue = "a value as its variable is declared: a level, or a real number"

// take takes what is whole in the buffer, until b is full.
func (v *vcd) take(b *Batch) error {
	text, pos := v.text.buf[:v.text.whole], v.text.pos
	for pos < len(text) && !full(b) {
		switch c := text[pos]; c {
		case '\n', ' ', '\t', '\r', '\v', '\f':
			pos++
		case '#':
			instant, stop, ok := number(text, pos+1)
			if !ok || instant > v.latest {
				return v.text.unlike(pos, fmt.Sprintf("# and a time from 0 to %d", v.latest))
			}
			if instant < v.now {
				return v.text.unlike(pos, fmt.Sprintf("# and a time from %d on, since time runs forwards", v.now))
			}
			v.now, pos = instant, stop
		case '0', '1', 'x', 'X', 'z', 'Z':
			stop := gap(text, pos+1)
			if stop == pos+1 {
				return v.text.unlike(pos, "a value and the code of a variable, with no space between them")
			}
			if !v.value(b, text[pos:pos+1], text[pos+1:stop]) {
				return v.text.unlike(pos, wantValue)
			}
			pos = stop
		case 'b', 'B', 'r', 'R':
			value, code, stop := pair(text, pos)
			if len(code) == 0 {
				v.text.pos = pos // for more
				return nil
			}
			if !v.value(b, value, code) {
				return v.text.unlike(pos, wantValue)
			}
			pos = stop
		case '$':
			stop := gap(text, pos)
			switch string(text[pos:stop]) {
			case "$dumpvars", "$dumpall", "$dumpoff", "$dumpon", endMark:
				pos = stop
			case "$comment":
				v.text.pos = stop
				if err := v.text.skip(); err != nil {
					return err
				}
				text, pos = v.text.buf[:v.text.whole], v.text.pos
			default:
				return v.text.unlike(pos, "$dumpvars, $dumpall, $dumpoff, $dumpon, $comment or $end")
			}
		default:
			if c <= ' ' {
				return v.text.control(pos)
			}
			return v.text.unlike(pos, "a time or a value: a word that begins with #, 0, 1, x, z, b or r")
		}
	}
	v.text.pos = pos
	return nil
}

// gap gives the end of the word that begins at pos, or has begun before. There always is one: text ends with a gap.
func gap(text []byte, pos int) int {
	for text[pos] > ' ' {
		pos++
	}
	return pos
}

// number takes the digits at pos, up to a gap.
func number(text []byte, pos int) (n uint64, stop int, ok bool) {
	const most = 19 // digits that are no more than 64 bits, whatever they are
	stop = pos
	for text[stop]-'0' <= 9 {
		n = n*10 + uint64(text[stop]-'0')
		stop++
	}
	if stop-pos > most {
		var err error
		if n, err = strconv.ParseUint(string(text[pos:stop]), 10, 64); err != nil {
			return 0, 0, false
		}
	}
	return n, stop, stop > pos && text[stop] <= ' '
}

// pair takes a value and the code behind it, if the code is there.
func pair(text []byte, pos int) (value, code []byte, stop int) {
	stop = gap(text, pos)
	value = text[pos:stop]
	for stop < len(text) && text[stop] <= ' ' {
		stop++
	}
	if stop == len(text) {
		return nil, nil, 0
	}
	pos, stop = stop, gap(text, stop)
	return value, text[pos:stop], stop
}

// value takes a value of a variable, and reports whether it is one that the variable can have; of those that were not chosen any can.
func (v *vcd) value(b *Batch, value, code []byte) bool {
	if string(code) == v.signal {
		to, ok := levelOf(value)
		if !ok {
			return false
		}
		if to != unknown && to != v.edges.then {
			v.edges.set(b, v.time(), to)
		}
	}
	if string(code) != v.current {
		return true
	}
	if v.real {
		if value[0]|0x20 == 'x' || value[0]|0x20 == 'z' {
			return true // off
		}
		drawn, err := strconv.ParseFloat(string(value[1:]), 64)
		if err == nil && !math.IsNaN(drawn) && !math.IsInf(drawn, 0) {
			v.draw(b, wave.Milliamps(drawn))
		}
		return err == nil && value[0]|0x20 == 'r'
	}
	to, ok := levelOf(value)
	switch to {
	case low:
		v.draw(b, 0)
	case high:
		v.draw(b, AckLevel)
	}
	return ok
}

// levelOf gives the level of one bit: 1, or b1 or b001.
func levelOf(value []byte) (l level, ok bool) {
	digits := value
	if value[0]|0x20 == 'b' {
		digits = value[1:]
	}
	for _, digit := range digits {
		switch digit {
		case '0':
			l = low
		case '1':
			l = high
		case 'x', 'X', 'z', 'Z':
			l = unknown
		default:
			return unknown, false
		}
	}
	return l, len(digits) > 0
}

// time gives the time of the instant at hand. It is rounded as a whole, so that rounding does not add up.
func (v *vcd) time() time.Duration {
	if v.divide > 1 {
		return time.Duration((v.now + v.divide/2) / v.divide)
	}
	return time.Duration(v.now * v.multiply)
}

// draw takes a current.
func (v *vcd) draw(b *Batch, milliamps wave.Milliamps) {
	if v.heard && milliamps == v.milliamps {
		return
	}
	v.heard, v.milliamps = true, milliamps
	at := v.time()
	if last := len(b.Current) - 1; last >= 0 && b.Current[last].At == at {
		b.Current[last].Milliamps = milliamps
		return
	}
	b.Current = append(b.Current, Current{At: at, Milliamps: milliamps})
}
