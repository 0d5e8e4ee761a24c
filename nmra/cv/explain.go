package cv

import (
	"fmt"
	"slices"
	"strings"
)

// Source is the document that [Explain] speaks for.
const Source = "NMRA S-9.2.2 (July 2012)"

// Level says how much the standard asks for a register. The empty Level is one that it gives no level.
type Level string

const (
	Mandatory   Level = "mandatory"
	Recommended Level = "recommended"
	Optional    Level = "optional"
)

// Explanation is what there is to say of a register, and of a value in it, for people and as JSON.
type Explanation struct {
	Register  Register  `json:"register"`
	Name      string    `json:"name"`
	Level     Level     `json:"level,omitempty"`
	Default   *uint8    `json:"default,omitempty"` // that the standard gives
	Low       uint8     `json:"low"`               // the range that has a meaning
	High      uint8     `json:"high"`
	ReadOnly  bool      `json:"read_only"`
	Value     *uint8    `json:"value,omitempty"`
	Bits      []BitWord `json:"bits,omitempty"`
	Sentences []string  `json:"sentences"`
	Source    string    `json:"source"`
}

// BitWord is what there is to say of a bit, or of bits that belong together.
type BitWord struct {
	Number  uint8  `json:"number"` // 0, the lowest, to 7
	Name    string `json:"name"`
	Set     *bool  `json:"set,omitempty"` // of a value
	Meaning string `json:"meaning"`       // of a value: of its bit as it is; else of both
}

// Explain says what the standard has a register for.
func Explain(r Register) Explanation {
	k := knowledgeOf(r)
	e := Explanation{
		Register: r, Name: k.name, Level: k.level, Low: k.low, High: k.high, ReadOnly: k.readOnly, Source: Source,
		Sentences: slices.Clone(k.about), // the table's own stay as they are
	}
	if k.preset != none {
		preset := uint8(k.preset)
		e.Default = &preset
	}
	for _, b := range k.bits {
		e.Bits = append(e.Bits, BitWord{Number: b.number, Name: b.name, Meaning: fmt.Sprintf("off: %s; on: %s", b.off, b.on)})
	}
	return e
}

// ExplainValue says what a value in a register means. Where that depends on other registers, as the seconds of CV 3 do on the steps
// in use, context holds what is known of them; it may be nil.
func ExplainValue(r Register, v uint8, context Values) Explanation {
	k, e := knowledgeOf(r), Explain(r)
	e.Value = &v
	e.Bits = nil
	for _, b := range k.bits {
		set := v&(1<<b.number) != 0
		meaning := b.off
		if set {
			meaning = b.on
		}
		e.Bits = append(e.Bits, BitWord{Number: b.number, Name: b.name, Set: &set, Meaning: meaning})
	}
	if v < k.low || v > k.high {
		e.Sentences = append(e.Sentences, fmt.Sprintf("%d is out of range: %d to %d have a meaning.", v, k.low, k.high))
	} else if k.meaning != nil {
		e.Sentences = append(e.Sentences, k.meaning(r, v, context)...)
	}
	return e
}

// Lines gives the explanation as lines of text, the first naming the register, the value and what is fixed of them.
func (e Explanation) Lines() []string {
	first := "register " + e.Register.String()
	if e.Value != nil {
		first += fmt.Sprintf(" = %d", *e.Value)
	}
	facts := []string{e.Name}
	if e.Level != "" {
		facts = append(facts, string(e.Level))
	}
	if e.ReadOnly {
		facts = append(facts, "read only")
	}
	if e.Low != 0 || e.High != 255 {
		facts = append(facts, fmt.Sprintf("%d to %d", e.Low, e.High))
	}
	if e.Default != nil {
		facts = append(facts, fmt.Sprintf("default %d", *e.Default))
	}
	lines := append([]string{first + ": " + strings.Join(facts, ", ")}, e.Sentences...)
	for _, b := range e.Bits {
		state := ""
		if b.Set != nil {
			state = " off,"
			if *b.Set {
				state = " on,"
			}
		}
		lines = append(lines, fmt.Sprintf("bit %d%s %s: %s", b.Number, state, b.Name, b.Meaning))
	}
	return lines
}
