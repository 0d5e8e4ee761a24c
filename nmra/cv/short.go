package cv

import (
	"fmt"
	"strings"
)

// InShort says what a value means: which of its bits are on, where they have meanings of their own; else what the standard has to say of the
// value. known is what other registers hold, as for [ExplainValue]. It is "" where there is nothing to say.
func InShort(r Register, value uint8, known Values) string {
	e := ExplainValue(r, value, known)
	if len(e.Bits) > 1 {
		var on []string
		for _, b := range e.Bits {
			if *b.Set {
				on = append(on, fmt.Sprintf("%d %s", b.Number, b.Name))
			}
		}
		if on == nil {
			return "no bit on"
		}
		return "on: " + strings.Join(on, ", ")
	}
	var said []string
	for _, sentence := range e.Sentences[len(Explain(r).Sentences):] {
		said = append(said, strings.ToLower(sentence[:1])+strings.TrimSuffix(sentence[1:], "."))
	}
	return strings.Join(said, "; ")
}

// ChangedBits says which bits of a register change, where its bits have meanings of their own: ": bit 3 on, bit 5 off". It is "" where none does.
func ChangedBits(r Register, before, after uint8) string {
	var changes []string
	for _, b := range Explain(r).Bits {
		if (before^after)>>b.Number&1 == 1 {
			state := "off"
			if after>>b.Number&1 == 1 {
				state = "on"
			}
			changes = append(changes, fmt.Sprintf("bit %d %s", b.Number, state))
		}
	}
	if changes == nil {
		return ""
	}
	return ": " + strings.Join(changes, ", ")
}
