package conform

import (
	"fmt"
	"strings"

	"fettle/nmra/wave"
)

// Scale is one of the groups of scales for which S-9.1 has voltages of their own. The zero Scale is one that is not known: it is held to what
// decoders of all scales withstand.
type Scale uint8

const (
	AnyScale   Scale = iota
	SmallScale       // N and smaller
	H0Scale          // H0, S and 0
	LargeScale       // larger than 0
)

var scaleWords = [...]string{"any scale", "N and smaller", "H0, S and 0", "larger than 0"}

// String is the group of scales: "H0, S and 0".
func (s Scale) String() string {
	if int(s) < len(scaleWords) {
		return scaleWords[s]
	}
	return fmt.Sprintf("scale %d", uint8(s))
}

// ParseScale takes the name of a scale: n or z; h0, s or 0, the digit or the letter o; 1, 2, g or large.
func ParseScale(text string) (Scale, error) {
	switch strings.ToLower(text) {
	case "n", "z":
		return SmallScale, nil
	case "h0", "ho", "s", "0", "o":
		return H0Scale, nil
	case "1", "2", "g", "large":
		return LargeScale, nil
	}
	return AnyScale, fmt.Errorf("scale %q: want z, n, h0, s, 0 or large", text)
}

// Nominal is the voltage of a power station for the scale; 0 where it is not known.
func (s Scale) Nominal() wave.Volts {
	// NMRA S-9.1 (2020).
	switch s {
	case SmallScale:
		return 12
	case H0Scale:
		return 15
	case LargeScale:
		return 18
	}
	return 0
}

// limit is one of the ranges that S-9.1 has for voltages.
type limit uint8

const (
	station limit = iota // of all scales
	smallDecoder
	largeDecoder
	limitCount
)

// NMRA S-9.1 (2020), in millivolts.
var limits = [limitCount]struct {
	name        string
	least, most int64
}{
	station:      {"half-wave, at the power station", leastStation, mostStation},
	smallDecoder: {"half-wave, for a decoder", 7_000, 24_000},
	largeDecoder: {"half-wave, for a decoder", 7_000, 27_000},
}

// What a power station may give, which keeps all limits.
const leastStation, mostStation = 8_500, 22_000

// decoderOf is the limit of a decoder of the scale.
func decoderOf(s Scale) limit {
	if s == H0Scale || s == LargeScale {
		return largeDecoder
	}
	return smallDecoder
}
