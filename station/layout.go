package station

import (
	"context"
	"fmt"
	"time"

	"fettle/nmra/wave"
)

// Millimetres is a distance on a layout, as it is and not to scale.
type Millimetres float64

// MillimetresPerSecond is a speed on a layout, as it is and not to scale.
type MillimetresPerSecond float64

// Lead says which end of a vehicle goes first.
type Lead uint8

const (
	Front Lead = iota
	Rear
)

// String is "front" or "rear".
func (l Lead) String() string {
	if l == Front {
		return "front"
	}
	return "rear"
}

// Way says how a vehicle enters a section.
type Way uint8

const (
	With    Way = iota // towards the section's signal
	Against            // from behind the signal
)

// String is "with" or "against".
func (w Way) String() string {
	if w == With {
		return "with"
	}
	return "against"
}

// Side says on which rail, seen in the direction of the section, the positive half-wave is the higher in it.
type Side uint8

const (
	Right Side = iota // the rail on the right (bit 0 of CV 27)
	Left              // the rail on the left (bit 1)
)

// String is "right" or "left".
func (s Side) String() string {
	if s == Right {
		return "right"
	}
	return "left"
}

// Section is a stretch of main track with an asymmetric signal, before a signal at danger. Distances are from its trigger, where it begins
// for a vehicle that goes with it.
type Section struct {
	Length     Millimetres
	Room       Millimetres   // to the place that must not be passed; beyond Length where the section ends before it
	Gates      []Millimetres // where the gates stand, in order; negative before the trigger
	Higher     Side
	Asymmetric wave.Volts // between the half-waves; 0 is a section that is switched off
}

// View is what someone beside the track sees of the vehicle.
type View struct {
	Past   Millimetres          // its leading end is past where its run enters the section: the trigger, or against it the other end; negative: before
	Speed  MillimetresPerSecond // 0 or more
	Lights bool                 // they are on: it has contact, and its decoder runs
	At     time.Duration        // when that is, on the clock of [GateEdge]
}

// Layout is a station with a vehicle and a section of its own, whose time does not pass by itself: the bench. With any other station a
// person places the vehicle and says what became of it.
type Layout interface {
	Main
	// Lay builds the section, in place of the one that was there. The track must be off.
	Lay(Section) error
	// Place puts the vehicle down for a run, at rest and far enough from the section to reach any speed before it. The track must be off.
	Place(Lead, Way) error
	// Look says where the vehicle is and how fast it goes.
	Look() View
	// Wait lets time pass, in which the packets that were sent last go on being sent. Errors: [ErrStation]; the context's.
	Wait(ctx context.Context, d time.Duration) error
}

// String is a distance in mm: "1400 mm".
func (m Millimetres) String() string { return fmt.Sprintf("%.0f mm", float64(m)) }

// String is a speed in mm/s: "160 mm/s".
func (v MillimetresPerSecond) String() string { return fmt.Sprintf("%.0f mm/s", float64(v)) }
