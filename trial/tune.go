package trial

import (
	"math"

	"fettle/nmra"
	"fettle/nmra/cv"
)

// Tuning is what to write so that the vehicle does what is wanted of it, as far as runs tell. It is a prediction: apply it and make the runs again.
// TuneDistance, TuneSpeed and TuneMomentum make it.
type Tuning struct {
	Registers cv.Values
	Bits      map[cv.Bit]bool // single bits, whose registers keep the others
	Reachable bool            // with these registers what is wanted is predicted
	Words     []string        // what is predicted and what stands in its way, in sentences, the weightiest first
}

// The registers of speed and momentum (NMRA S-9.2.2, July 2012).
const (
	startVoltage     nmra.CV = 2
	decelerationTime nmra.CV = 4
	topVoltage       nmra.CV = 5
	middleVoltage    nmra.CV = 6
	decelerationTrim nmra.CV = 24
	configuration    nmra.CV = 29
	forwardTrim      nmra.CV = 66
	speedTable       nmra.CV = 67 // to 94
	reverseTrim      nmra.CV = 95

	tableEntries       = 28
	tableInUse   uint8 = 4 // bit of CV 29
	full               = 255
	evenTrim           = 128 // of 66 and 95: the speed is multiplied by n/128
)

// held is what a register holds, 0 where it is not known.
func held(v cv.Values, n nmra.CV) float64 { return float64(v[cv.Register{CV: n}]) }

// register is x as the value of a register: rounded, and kept from least to 255.
func register(x float64, least uint8) uint8 {
	return uint8(math.Round(min(max(x, float64(least)), full)))
}
