package conform

import (
	"time"

	"fettle/nmra/wave"
)

// Voltage is what a [Voltmeter] has measured.
type Voltage struct {
	Rules     []Rule    // what a station may give, and what a decoder must work with
	Stretches []Stretch // one behind the other, the first of them
	More      int64     // how many stretches came behind those
	Series    []Point   // the whole of it, as a curve; at most 2000
}

// Lean says which half-wave is the higher.
type Lean uint8

const (
	Even     Lean = iota // neither: no asymmetry
	Positive             // the positive: the rail that the capture's probe sees as the positive one is the more positive
	Negative             // the negative
	NoSignal             // there was no signal
)

var leanWords = [...]string{"even", "more positive", "more negative", "no signal"}

// String is the lean in two words or one: "more positive".
func (l Lean) String() string {
	if int(l) < len(leanWords) {
		return leanWords[l]
	}
	return "unknown lean"
}

// Stretch is a time over which the lean is the same.
type Stretch struct {
	From, To           time.Duration
	Lean               Lean
	Positive, Negative wave.Volts // the half-waves on the average, both without a sign
	Difference         wave.Volts // Positive less Negative
}

// Point is the average of the half-waves from From to To, without a sign.
type Point struct {
	From, To           time.Duration
	Positive, Negative wave.Volts
}

// Section is a stretch of track with asymmetry, such as there is before a signal at danger, as far as it is seen in time.
type Section struct {
	Stretch               // from where it is first seen to where it is last seen; voltages are those of where it is there
	Interrupted []Stretch // where it is not there in between: none where it is there everywhere along it
}

// Section gives the section that was captured: from the first stretch to the last that lean to the side that most of them do. False
// where none leans.
func (v Voltage) Section() (Section, bool) { return Section{}, false }
