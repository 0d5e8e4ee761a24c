package trial

import (
	"fmt"
	"strings"

	"fettle/station"
)

// Senses is what a decoder senses of a section.
type Senses uint8

const (
	SensesUnclear Senses = iota
	SensesTravel         // the rail on one side of its travel
	SensesVehicle        // the rail on one side of the vehicle
	SensesEither         // either asymmetry
	SensesNothing
)

// String is "travel", "vehicle", "either", "nothing" or "unclear".
func (s Senses) String() string {
	return [...]string{"unclear", "travel", "vehicle", "either", "nothing"}[s]
}

// Case counts what became of the runs with one lead and one way.
type Case struct{ Stopped, Overran, Slowed, Ignored int }

// Runs is how many there were.
func (c Case) Runs() int { return c.Stopped + c.Overran + c.Slowed + c.Ignored }

// Reaction is what the vehicle does in one case, as far as its runs agree.
type Reaction uint8

const (
	Untried  Reaction = iota
	Stops             // at least one run stopped; the others stopped too, or passed the room
	RunsOn            // as if there were no section
	Slows             // brakes and does not stop
	Passes            // every run passed the room: it brakes too little, or not at all
	Disagree          // some runs say this and some that
)

// String says it in words: "runs on".
func (r Reaction) String() string {
	return [...]string{"not tried", "stops", "runs on", "slows", "passes the room", "does not always do the same"}[r]
}

// Reaction is what its runs show.
func (c Case) Reaction() Reaction {
	switch c.Runs() {
	case 0:
		return Untried
	case c.Ignored:
		return RunsOn
	case c.Slowed:
		return Slows
	case c.Overran:
		return Passes
	case c.Stopped + c.Overran:
		return Stops
	}
	return Disagree
}

// Response is in which of the four cases the vehicle stops, and what that says of its decoder.
type Response struct {
	Senses Senses
	Mirror bool // it does so as if the section were wired the other way
	// Register27 says what a change of CV 27 would do, and what it would cost; empty where nothing is known to be gained.
	Register27 string
	cases      [2][2]Case
}

// Case is the count of the runs with that lead and way.
func (r Response) Case(lead station.Lead, way station.Way) Case { return r.cases[lead&1][way&1] }

// possibility is one thing that a decoder may sense, and in which cases it then stops: by lead and way.
type possibility struct {
	senses Senses
	mirror bool
	stops  [2][2]bool
}

// possibilities are all of them; the last two are for a section that is wired the other way.
var possibilities = [...]possibility{
	{SensesTravel, false, [2][2]bool{{true, false}, {true, false}}},
	{SensesVehicle, false, [2][2]bool{{true, false}, {false, true}}},
	{SensesEither, false, [2][2]bool{{true, true}, {true, true}}},
	{SensesNothing, false, [2][2]bool{}},
	{SensesTravel, true, [2][2]bool{{false, true}, {false, true}}},
	{SensesVehicle, true, [2][2]bool{{false, true}, {true, false}}},
}

// String names it, as in "the rail on one side of its travel".
func (p possibility) String() string {
	s := [...]string{"", "the rail on one side of its travel", "the rail on one side of the vehicle", "either asymmetry", "nothing"}[p.senses]
	if p.mirror {
		s += ", the other one"
	}
	return s
}

// allows says whether a decoder of this kind may have shown these reactions; of those that slow or disagree it knows nothing.
func (p possibility) allows(cases [2][2]Case) bool {
	for lead := range cases {
		for way, c := range cases[lead] {
			switch c.Reaction() {
			case Stops:
				if !p.stops[lead][way] {
					return false
				}
			case RunsOn:
				if p.stops[lead][way] {
					return false
				}
			}
		}
	}
	return true
}

// respond says what the counts show of a decoder, in a section whose higher rail is on that side. What it can't tell it adds to notes.
func respond(cases [2][2]Case, higher station.Side) (r Response, notes []string) {
	r.cases = cases
	var may []possibility
	for _, p := range possibilities {
		if p.allows(cases) {
			may = append(may, p)
		}
	}
	odd := false
	r.each(func(lead station.Lead, way station.Way, c Case) {
		switch c.Reaction() {
		case Slows:
			odd = true
			notes = append(notes, fmt.Sprintf("%s leading, %s the section it slows and does not stop: the table of what decoders sense has no such case", lead, way))
		case Disagree:
			odd = true
			notes = append(notes, fmt.Sprintf("%s leading, %s the section its runs contradict each other: %s; clean track and wheels, see that the lights stay on, "+
				"and make them again", lead, way, c))
		}
	})
	switch {
	case r.tried() == 0 || odd:
	case len(may) == 0:
		notes = append(notes, "no decoder stops in just these cases, whatever it senses: look for a fault of contact, of the section's wiring or of the decoder")
	case len(may) > 1:
		names := make([]string, len(may))
		for i, p := range may {
			names[i] = p.String()
		}
		notes = append(notes, "what it senses is open: "+strings.Join(names, "; or "))
	default:
		r.Senses, r.Mirror = may[0].senses, may[0].mirror
		r.Register27 = register27(may[0], higher)
	}
	return r, notes
}

// register27 says what CV 27 could change for a decoder that senses so: bit 0 stops it where the rail on the right is the higher, bit 1 where the
// left is (NMRA S-9.2.2, CV 27).
func register27(p possibility, higher station.Side) string {
	want, other := 1, 2
	if higher == station.Left {
		want, other = 2, 1
	}
	switch {
	case p.senses == SensesTravel && !p.mirror:
		return "" // as wanted
	case p.senses == SensesTravel:
		return fmt.Sprintf("It stops against the section and not with it: the section is wired the other way, or register 27 holds the bit of the other rail. "+
			"Turn the diodes round, or write %d in place of %d into register 27.", want, other)
	case p.senses == SensesVehicle:
		return "It goes by the side of the vehicle: with 3 in register 27 it stops whichever end leads, at the price that it stops against the section as well. " +
			"No value of register 27 makes it stop with the section only."
	case p.senses == SensesEither:
		return fmt.Sprintf("It stops either way, as with 3 in register 27. With %d there a decoder that goes by its travel stops with the section only; one that "+
			"goes by the side of the vehicle then stops with one end leading only. Write it and make these runs again.", want)
	}
	return fmt.Sprintf("It stops in no case: register 27 may be 0. Write %d, which is for a section that is higher on its %s rail, and make these runs again. If it still runs on, "+
		"it does not know asymmetry, or the section has too little: 1.5 to 3 V between the half-waves is common practice.", want, higher)
}

// String is the counts in words, without those that are 0: "7 stopped, 1 ignored".
func (c Case) String() string {
	var parts []string
	for o, n := range [...]int{c.Stopped, c.Overran, c.Slowed, c.Ignored} {
		if n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, Outcome(o)))
		}
	}
	if len(parts) == 0 {
		return "none made"
	}
	return strings.Join(parts, ", ")
}

// each calls f for the four cases: with the section first.
func (r Response) each(f func(station.Lead, station.Way, Case)) {
	for _, way := range []station.Way{station.With, station.Against} {
		for _, lead := range []station.Lead{station.Front, station.Rear} {
			f(lead, way, r.cases[lead][way])
		}
	}
}

// tried is how many runs the table rests on.
func (r Response) tried() (n int) {
	r.each(func(_ station.Lead, _ station.Way, c Case) { n += c.Runs() })
	return n
}
