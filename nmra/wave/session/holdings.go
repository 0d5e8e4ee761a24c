package session

import (
	"fettle/nmra/cv"
)

// Holdings is what a decoder is known to hold. The lists are in order, and no register is in two of Registers, Absent and Unsure.
type Holdings struct {
	// Registers has what is proven: an acknowledged verify of the very byte, acknowledged verifies of all its bits, or an acknowledged write.
	Registers cv.Values
	Written   []cv.Register // of Registers: those that rest on an acknowledged write, and were not asked since. A decoder may have kept less

	// Absent has those that are not there: a bit was asked for as 0 and as 1, at least 5 packets each, and all was silent, while
	// other registers answered in direct mode both before and behind.
	Absent   []cv.Register
	Unsure   []cv.Register // asked or written, and what they hold is not proven
	Unplaced []cv.Register // from 257 to 512, asked or written while it was not known which page 31 and 32 choose: on no page
	Pages    []cv.Page     // that were heard of behind 31 and 32
	LeftOut  bool          // there were more pages than are kept
}
