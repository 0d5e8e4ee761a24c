package cv

import (
	"fmt"
	"strconv"
	"strings"
)

// ByteRange is values that a register takes: from Low to High, both among them.
type ByteRange struct{ Low, High uint8 }

// ParseByteRange reads a value, or several that follow each other: "4", "0-180". Digits only. Errors: [*NotationError].
func ParseByteRange(s string) (ByteRange, error) {
	low, high, ranged := strings.Cut(s, "-")
	if !ranged {
		high = low
	}
	l, okLow := number(low, 255)
	h, okHigh := number(high, 255)
	switch {
	case !okLow || !okHigh:
		return ByteRange{}, &NotationError{s, "a value from 0 to 255, or a range of them, as 0-180"}
	case ranged && h <= l:
		return ByteRange{}, &NotationError{s, fmt.Sprintf("a range that ascends, or %d alone", l)}
	}
	return ByteRange{uint8(l), uint8(h)}, nil
}

// String gives the values as [ParseByteRange] reads them: "4", "0-180".
func (b ByteRange) String() string {
	text := strconv.Itoa(int(b.Low))
	if b.High != b.Low {
		text += "-" + strconv.Itoa(int(b.High))
	}
	return text
}

// Has says whether a value is one of them.
func (b ByteRange) Has(v uint8) bool { return v >= b.Low && v <= b.High }
