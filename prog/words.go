package prog

import (
	"fmt"
	"strings"

	"fettle/nmra"
	"fettle/nmra/cv"
)

// Words says for people what became of a register.
func (s State) Words() string {
	switch s {
	case Unchanged:
		return "already right"
	case ReadOnly:
		return "read only"
	}
	return string(s)
}

// Words says for people what became of a register, and why: "written: bit 3 on".
func (r Row) Words() string {
	words := r.State.Words()
	if r.State == Written {
		words += cv.ChangedBits(r.Register, r.Before.Value, r.After.Value)
	}
	if r.State == NoRegister && r.Note == "" {
		words += ": the decoder has no such register"
	}
	if r.Note != "" {
		words += ": " + r.Note
	}
	return words
}

// Words says for people what a step does, and why it has its place: "write: bit 3 on; ...".
func (s Step) Words() string {
	var words string
	switch {
	case s.Before.State == Absent:
		return "left out: the decoder has no such register"
	case s.Before.State == Unsure:
		return "left out: what it holds could not be proven"
	case s.Kept:
		words = "not in the set, kept as it is"
	case s.Changes():
		words = "write" + cv.ChangedBits(s.Register, s.Before.Value, s.Wanted)
	default:
		return "already right"
	}
	if s.Why != "" {
		words += "; " + s.Why
	}
	return words
}

// Counts says for people what became of the registers: "7 written, 3 already right, 1 clamped".
func (b Batch) Counts() string {
	var counts []string
	for _, s := range []State{Written, Unchanged, Clamped, ReadOnly, NoRegister, Refused, UnsureOfValue} {
		if n := b.Count(s); n > 0 {
			counts = append(counts, fmt.Sprintf("%d %s", n, s.Words()))
		}
	}
	return strings.Join(counts, ", ")
}

// Known is the value of a reading; nil where it is not proven.
func (r Reading) Known() *uint8 {
	if r.State != Proven {
		return nil
	}
	return &r.Value
}

// Fact is one thing that is known of a decoder, as a line of a table for people: "maker", "13".
type Fact struct{ Label, Words string }

// Facts are what a decoder says of itself. makers gives names to makers' numbers, and may be nil.
func (id Identity) Facts(makers map[uint8]string) (facts []Fact) {
	fact := func(label, format string, args ...any) {
		facts = append(facts, Fact{label, fmt.Sprintf(format, args...)})
	}
	held := func(c nmra.CV) string {
		if v, ok := id.Registers[cv.Register{CV: c}]; ok {
			return fmt.Sprint(v)
		}
		return "nothing that could be read"
	}
	switch name := makers[id.Maker]; {
	case id.Maker == cv.MakerResetting:
		fact("maker", "%d: a factory reset may not be complete: turn the track off and on, and identify again", id.Maker)
	case id.Maker == cv.MakerIsExtended:
		fact("maker", "%d: its number is in registers 107 and 108, which hold %s and %s", id.Maker, held(107), held(108))
	case name != "":
		fact("maker", "%d: %s", id.Maker, name)
	default:
		fact("maker", "%d", id.Maker)
	}
	if id.Maker == cv.MakerIsExtended {
		fact("version", "%d, and registers 109 to 111 hold %s, %s and %s", id.Version, held(109), held(110), held(111))
	} else {
		fact("version", "%d", id.Version)
	}
	modes := make([]string, len(id.Modes))
	for i, m := range id.Modes {
		modes[i] = m.String()
	}
	fact("answers", "%s", strings.Join(modes, ", "))
	fact("address", "%v", id.InUse())
	if configuration, ok := id.Registers[cv.Register{CV: cv.Configuration}]; ok {
		if configuration>>cv.ReversedBit&1 == 1 {
			fact("direction", "reversed: bit 0 of 29 is set")
		}
		if configuration>>cv.StepsBit&1 == 0 {
			fact("steps", "14: bit 1 of 29 is not set, so a station must send it 14 speed steps")
		}
	}
	switch {
	case id.Height > 0:
		fact("track", "%.0f mA at rest; acknowledges with %.0f mA for %.1f ms", float64(id.Rest), float64(id.Height), id.Pulse.Seconds()*1000)
	case id.Rest > 0:
		fact("track", "%.0f mA at rest; the station does not measure acknowledgements", float64(id.Rest))
	default:
		fact("track", "the station does not measure its current")
	}
	return facts
}

// Facts are what is worth saying of how a session goes; none where all is well.
func (s *Session) Facts() (facts []Fact) {
	if pace, slower := s.Pace(); slower {
		facts = append(facts, Fact{"pace", fmt.Sprintf("asked slower than the standard allows, with %s: the decoder does not keep up", pace)})
	}
	if lost, spurious := s.Noise(); lost >= 0.01 || spurious >= 0.005 {
		facts = append(facts, Fact{"noise", fmt.Sprintf(
			"about %.0f %% of the acknowledgements go missing and %.0f %% come from nowhere: clean wheels and rails", lost*100, spurious*100)})
	}
	return facts
}
