package conform

import (
	"fmt"
	"strings"

	"fettle/nmra/wave"
)

// Scale is one of the groups of scales for which S-9.1 has voltages of their own. The zero Scale is one that is not known: it is held to what
// all of them have to keep.
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
