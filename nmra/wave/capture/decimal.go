package capture

import (
	"math"
	"math/bits"
	"time"
)

// decimal is a number as text has it: digits times ten to the power of exponent, less than nothing where it is negative. Of more digits
// than 19 the others are cut off.
type decimal struct {
	digits   uint64
	exponent int
	negative bool
}

// decimalOf reads a whole text as a decimal number: an exponent or none, no other notation, nothing that is no number. A decimal comma
// is as good as a point where comma says so.
func decimalOf(text []byte, comma bool) (d decimal, ok bool) {
	const mostExponent = 1_000_000 // beyond any number that is worth something here
	i, fraction, some := 0, 0, false
	if len(text) > 0 && (text[0] == '-' || text[0] == '+') {
		d.negative = text[0] == '-'
		i++
	}
	for ; i < len(text); i++ {
		switch digit := text[i] - '0'; {
		case digit <= 9 && d.digits < 1e18:
			d.digits = d.digits*10 + uint64(digit)
			d.exponent -= fraction
			some = true
		case digit <= 9:
			d.exponent += 1 - fraction
		case fraction == 0 && (text[i] == '.' || comma && text[i] == ','):
			fraction = 1
		case some && text[i]|0x20 == 'e':
			n, negative, any := 0, false, false
			if i++; i < len(text) && (text[i] == '-' || text[i] == '+') {
				negative = text[i] == '-'
				i++
			}
			for ; i < len(text) && text[i]-'0' <= 9; i++ {
				n = min(n*10+int(text[i]-'0'), mostExponent)
				any = true
			}
			if negative {
				n = -n
			}
			d.exponent += n
			return d, any && i == len(text)
		default:
			return d, false
		}
	}
	return d, some
}

// is reports whether two numbers are the same, however they are written.
func (d decimal) is(other decimal) bool { return d.shortest() == other.shortest() }

// shortest is the number without zeros at its end.
func (d decimal) shortest() decimal {
	if d.digits == 0 {
		return decimal{}
	}
	for d.digits%10 == 0 {
		d.digits /= 10
		d.exponent++
	}
	return d
}

// tens are the powers of ten that a uint64 can hold.
var tens = func() (all [20]uint64) {
	all[0] = 1
	for i := range all[1:] {
		all[i+1] = 10 * all[i]
	}
	return all
}()

// duration gives so many of a unit, which is ten to that power of a nanosecond, rounded to nanoseconds; not where it is more than
// 292 years.
func (d decimal) duration(unit int) (time.Duration, bool) {
	n, exponent := d.digits, d.exponent+unit
	switch {
	case n == 0 || -exponent >= len(tens):
		return 0, true
	case exponent >= len(tens):
		return 0, false
	case exponent >= 0:
		high, low := bits.Mul64(n, tens[exponent])
		if high != 0 {
			return 0, false
		}
		n = low
	default:
		ten := tens[-exponent]
		rest := n % ten
		if n /= ten; rest >= ten-rest {
			n++
		}
	}
	if n > math.MaxInt64 {
		return 0, false
	}
	if d.negative {
		return -time.Duration(n), true
	}
	return time.Duration(n), true
}

// float gives the number, which may be infinite.
func (d decimal) float() float64 {
	v := float64(d.digits)
	switch {
	case d.digits == 0:
		return 0
	case d.exponent < -308:
		v = 0
	case d.exponent < 0:
		v /= math.Pow10(-d.exponent) // not by 10^-n, which is no float64
	default:
		v *= math.Pow10(d.exponent)
	}
	if d.negative {
		return -v
	}
	return v
}
