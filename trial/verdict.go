package trial

import (
	"math"

	"fettle/station"
)

// Verdict is what the runs of a trial show. [Judge] makes it.
type Verdict struct {
	Fitness  Fitness
	MoreRuns int      // where the runs don't settle it: how many further ones would, at the scatter seen
	Sentence string   // the verdict in one sentence
	Reasons  []string // what it rests on, the weightiest first
	Notes    []string // what else these runs show

	Response         Response
	Law              Law
	ConstantDistance Answer // there is a target that it would meet at every wanted speed
	OnTarget         Answer // it meets the target at every wanted speed, either end leading
	Brakes           Brakes
	Stops            []PredictedStop // for each lead, and each wanted speed from the slowest
	Holds            SpeedRange      // the widest over which the stop that the law predicts keeps to the tolerance, with all of its interval
	Pattern          Pattern
	Patterns         []PatternFit // the best first; none where nothing was timed, or the distance is not constant
	Scatter          Scatter
	Bound            Bound
	Drift            Drift
	Leads            LeadDifference
}

// Fitness is the verdict in one word.
type Fitness uint8

const (
	MoreRuns Fitness = iota // these runs don't settle it
	Fit
	Unfit
)

// String is "fit", "unfit" or "more_runs".
func (f Fitness) String() string { return [...]string{"more_runs", "fit", "unfit"}[f] }

// Answer is yes or no, or that the runs don't tell.
type Answer uint8

const (
	Undecided Answer = iota
	Yes
	No
)

// String is "yes", "no" or "undecided".
func (a Answer) String() string { return [...]string{"undecided", "yes", "no"}[a] }

// Brakes is how the stopping distance depends on the entry speed.
type Brakes uint8

const (
	BrakesUndecided    Brakes = iota
	BrakesNot                 // it was never seen to brake
	BrakesDistance            // constant distance
	BrakesTime                // constant time: the distance grows as the speed
	BrakesDeceleration        // constant deceleration: as its square
	BrakesFading              // braking falls off with speed: the distance grows faster than its square
	BrakesEmergency           // stops at once where it enters slowly, and over a constant distance where it is faster
	BrakesOtherwise           // none of these: the exponent lies between them, or below 0
)

// String says it in words: "constant deceleration".
func (b Brakes) String() string {
	return [...]string{"undecided", "not at all", "constant distance", "constant time", "constant deceleration",
		"braking that fades with speed", "at once when slow, else over a constant distance", "none of the known ways"}[b]
}

// PredictedStop is where the vehicle is to be expected at rest when it enters at one wanted speed with one lead: the mean of its stops there.
type PredictedStop struct {
	Lead    station.Lead
	Wanted  station.MillimetresPerSecond // 0 where a step is wanted
	Step    uint8                        // the wanted step; 0 where a speed is wanted
	Speed   station.MillimetresPerSecond // at which the runs entered, on average; 0 where none was measured
	Stopped int                          // runs that it rests on
	Overran int                          // runs at this speed that passed the room
	Stop    station.Millimetres          // past the trigger; only where Stopped is not 0
	Low     station.Millimetres          // its interval, at the trial's confidence; Low and High are equal where the scatter is not known
	High    station.Millimetres
	// OnTarget is yes where the whole interval is within the tolerance, no where it is wholly outside.
	OnTarget Answer
}

// SpeedRange is a range of entry speeds; the zero SpeedRange is empty.
type SpeedRange struct{ Low, High station.MillimetresPerSecond }

// Scatter is how far stops at the same speed and lead lie from each other.
type Scatter struct {
	Deviation station.Millimetres // standard deviation, pooled within speeds and leads
	Degrees   int                 // of freedom; 0: nothing was repeated, so that it is not known
}

// Bound is how near the place that must not be passed may be.
type Bound struct {
	Share, Confidence float64             // with this confidence this share of stops ends before At, at each wanted speed and lead
	At                station.Millimetres // past the trigger; 0 where the scatter is not known, or a run at a wanted speed passed the room
	WithinRoom        Answer
}

// Drift is how stops move from run to run, whatever the speed: a motor that warms, wheels that take up dirt.
type Drift struct {
	Runs        int                 // that it rests on: stops at a speed and lead with more than one
	FirstToLast station.Millimetres // how far the stop moves over the trial, by least squares, with a mean for each speed and lead
	Chance      float64             // of a move so great where nothing drifts
}

// Seen says that the runs drift: chance would show as much in one trial of a hundred.
func (d Drift) Seen() bool { return d.Chance < 0.01 }

// LeadDifference is how much farther the vehicle runs with its rear leading, at the same speed.
type LeadDifference struct {
	Known     bool // both leads were tried at a common speed, with repeats
	By        station.Millimetres
	Low, High station.Millimetres // its interval, at a confidence of 0.99
}

// Seen says that the leads differ: by more than 1 mm, and 0 is not in the interval.
func (d LeadDifference) Seen() bool {
	return d.Known && (d.Low > 0 || d.High < 0) && math.Abs(float64(d.By)) > 1
}

// Deceleration is how quickly a speed falls, in mm/s².
type Deceleration float64
