package trial

import (
	"time"

	"fettle/nmra"
	"fettle/station"
)

// Trial is what a trial file says: a trial of braking, or one of speed.
type Trial struct {
	Title   string
	Vehicle Vehicle
	Section station.Section // of a trial of braking
	Wanted  Wanted          // likewise
	Speed   SpeedTrial      // of a trial of speed; the zero SpeedTrial: it is one of braking
	Runs    Runs
}

// SpeedTrial is a trial that measures how fast the vehicle goes at each step, both ways.
type SpeedTrial struct {
	Steps   []uint8
	Between station.Millimetres // between two gates; 0: laps are timed
	Lap     station.Millimetres // the length of a lap, timed by hand
}

// Vehicle is what is tried.
type Vehicle struct {
	Name    string
	Scale   float64      // 87.1 is 1:87.1
	Address nmra.Address // the zero Address: not said, so that it can't be driven
	Steps   nmra.Steps
}

// Wanted is where the vehicle is to stop.
type Wanted struct {
	Stop       station.Millimetres            // past the trigger
	Within     station.Millimetres            // either way
	Speeds     []station.MillimetresPerSecond // at which it enters, on this layout; none where Steps are given
	Steps      []uint8                        // instead, speed steps; what they are in mm/s comes from the runs
	Confidence float64                        // 0.5 to 0.999
	Share      float64                        // of stops that must end before the bound; 0.99 where the file does not say
}

// Runs is which runs are to be made.
type Runs struct {
	Repeats int // of each speed and lead
	Leads   []station.Lead
	Against int // runs against the section at each lead and speed
	Seed    uint64
}

// Outcome is what became of a run into a section.
type Outcome uint8

const (
	Stopped Outcome = iota // at rest within the room
	Overran                // past the room: it stops farther than that, or not at all
	Slowed                 // braked, but did not stop
	Ignored                // ran on as if there were no section
)

// String is the outcome in one word: "stopped".
func (o Outcome) String() string { return [...]string{"stopped", "overran", "slowed", "ignored"}[o] }

// Run is one entry into the section, planned or made.
type Run struct {
	Number  int // from 1
	Lead    station.Lead
	Way     station.Way
	Step    uint8                        // 0 where it is not known
	Speed   station.MillimetresPerSecond // on entry; 0 where it is not known
	Made    bool                         // it has an outcome; in a trial of speed, a speed
	Outcome Outcome
	Stop    station.Millimetres // past the trigger; only where it stopped
	Time    time.Duration       // from trigger to standstill; 0 where it was not taken
	Gates   []Passing
	Note    string
	Line    int // of the file that it was read from; 0 where it was not
}

// Passing is when the leading end of the vehicle passed a gate, counted from the trigger.
type Passing struct {
	At   station.Millimetres
	Time time.Duration
}
