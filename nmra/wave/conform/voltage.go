package conform

import (
	"time"

	"fettle/nmra/wave"
)

// Voltage is what a [Voltmeter] has measured.
type Voltage struct {
	Rules     []Rule    // what a power station may give, and what a decoder must work with and withstand
	Stretches []Stretch // one behind the other, the first of them
	More      int64     // how many stretches came behind those
	Series    []Point   // the whole of it, as a curve; at most 2000

	// The voltage does not go through 0, as that between the rails does: one rail against ground, or the output of an opto-coupler. Then
	// it says nothing of the track's, and there is nothing in the others.
	OneSided bool
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

// Section gives the section that was captured: from the first stretch to the last that lean to the side that most of the time does. False
// where none leans. A capture that runs over two sections has them as one that is interrupted. Where there are more stretches than
// are kept, the section is only as far as they go.
func (v Voltage) Section() (Section, bool) {
	var lasts [NoSignal + 1]time.Duration
	for _, s := range v.Stretches {
		lasts[s.Lean] += s.To - s.From
	}
	lean := Positive
	if lasts[Negative] > lasts[Positive] {
		lean = Negative
	}
	var section Section
	var between []Stretch
	var positive, negative float64 // by time
	for _, s := range v.Stretches {
		if s.Lean != lean {
			between = append(between, s)
			continue
		}
		if section.To == section.From {
			section.From = s.From
		} else {
			section.Interrupted = append(section.Interrupted, between...)
		}
		between = between[:0]
		section.To = s.To
		positive += float64(s.Positive) * float64(s.To-s.From)
		negative += float64(s.Negative) * float64(s.To-s.From)
	}
	if lasts[lean] == 0 {
		return Section{}, false
	}
	section.Lean = lean
	section.Positive = wave.Volts(positive / float64(lasts[lean]))
	section.Negative = wave.Volts(negative / float64(lasts[lean]))
	section.Difference = section.Positive - section.Negative
	return section, true
}
