package cv

import (
	"fmt"
	"maps"
	"strconv"

	"fettle/nmra"
)

// SecondsAStep is how long a decoder takes from one step to the next: S-9.2.2's formula for CV 3, 4, 23 and 24. value is CV 3 or 4 with its
// trim; less than 0 is 0.
func SecondsAStep(value int, steps nmra.Steps) float64 {
	return float64(max(value, 0)) * 0.896 / float64(max(steps, 1))
}

// TrimOf is what CV 23 adds to CV 3, or CV 24 to CV 4: bits 6-0, taken away where bit 7 is set.
func TrimOf(v uint8) int {
	if v&0x80 != 0 {
		return -int(v & 0x7F)
	}
	return int(v)
}

// stepsInUse are those that bit 1 of 29 leaves possible; all where 29 is not known.
func stepsInUse(context Values) []nmra.Steps {
	configuration, known := context[Register{CV: Configuration}]
	switch {
	case !known:
		return []nmra.Steps{nmra.Steps14, nmra.Steps28, nmra.Steps128}
	case configuration&(1<<StepsBit) == 0:
		return []nmra.Steps{nmra.Steps14}
	}
	return []nmra.Steps{nmra.Steps28, nmra.Steps128}
}

func decimal(x float64, digits int) string { return strconv.FormatFloat(x, 'f', digits, 64) }

func say(format string, args ...any) []string { return []string{fmt.Sprintf(format, args...)} }

func momentum(_ Register, v uint8, context Values) []string {
	if v == 0 {
		return say("None: each step is taken up at once.")
	}
	var lines []string
	for _, steps := range stepsInUse(context) {
		lines = append(lines, fmt.Sprintf("%s s a step at %d steps.", decimal(SecondsAStep(int(v), steps), 3), steps))
	}
	return append(lines, fmt.Sprintf("About %s s between standstill and full speed.", decimal(float64(v)*0.896, 1)))
}

func trim(_ Register, v uint8, context Values) []string {
	verb, amount := "Adds", v&0x7F
	if amount == 0 {
		return say("Changes nothing.")
	}
	if v&0x80 != 0 {
		verb = "Takes away"
	}
	var lines []string
	for _, steps := range stepsInUse(context) {
		lines = append(lines, fmt.Sprintf("%s %s s a step at %d steps.", verb, decimal(SecondsAStep(int(amount), steps), 3), steps))
	}
	return lines
}

func partOf255(_ Register, v uint8, _ Values) []string {
	return say("%d/255 of the supply, %s %%.", v, decimal(float64(v)*100/255, 0))
}

func partOf255OrUnused(r Register, v uint8, context Values) []string {
	if v <= 1 {
		return say("Not used.")
	}
	// That CV 5 and 6 count in the same parts as CV 2: from memory.
	return partOf255(r, v, context)
}

func period(_ Register, v uint8, _ Values) []string {
	micros := (131 + 4*int(v&0x1F)) << (v >> 5)
	return say("Period %d µs, %s Hz.", micros, decimal(1e6/float64(micros), 0))
}

func version(_ Register, _ uint8, context Values) []string {
	if context[Register{CV: Maker}] == MakerIsExtended {
		return say("More of it is in 109 to 111, since 8 holds 238.")
	}
	return nil
}

func maker(_ Register, v uint8, context Values) []string {
	switch v {
	case 13: // from memory of the NMRA's list
		return say("13 is the number for home-built and public-domain decoders.")
	case MakerIsExtended:
		high, okHigh := context[Register{CV: ExtendedMaker}]
		low, okLow := context[Register{CV: ExtendedMaker + 1}]
		if okHigh && okLow {
			return say("The number is in 107 and 108, which hold %d and %d.", high, low)
		}
		return say("The number is in 107 and 108; read those.")
	case 255:
		return say("A factory reset is not complete: power the track off and on, and read again.")
	}
	return nil
}

// inAddress tells whether the decoder goes by a register of its address at all.
func inAddress(context Values, extended bool) []string {
	configuration, known := context[Register{CV: Configuration}]
	on := configuration&(1<<ExtendedAddressBit) != 0
	switch {
	case !known:
		return nil
	case on && !extended:
		return say("Not in use: bit 5 of 29 is on.")
	case !on && extended:
		return say("Not in use: bit 5 of 29 is off.")
	}
	return say("In use.")
}

func shortAddress(_ Register, v uint8, context Values) []string {
	return append(say("Short address %d.", v), inAddress(context, false)...)
}

func longAddress(r Register, v uint8, context Values) []string {
	other := Register{CV: ExtendedHigh + ExtendedLow - r.CV}
	held, known := context[other]
	high, low := v, held
	if r.CV == ExtendedLow {
		high, low = held, v
	}
	if !known && r.CV == ExtendedLow {
		return say("Read 17 as well: the two are one address.")
	}
	if n, ok := LongAddressIn(high, low); !ok {
		return say("No long address: 17 holds %d, which is not 192 to 231.", high)
	} else if known {
		return append(say("Long address %d, with %d in %v.", n, held, other), inAddress(context, true)...)
	}
	first, _ := LongAddressIn(high, 0)
	return say("A long address from %d to %d; 18 says which.", first, first+255)
}

func consist(_ Register, v uint8, _ Values) []string {
	if v&^ConsistReversed == 0 {
		return say("In no consist.")
	}
	return say("Consist %d.", v&^ConsistReversed)
}

func lock(r Register, v uint8, context Values) []string {
	other := Register{CV: LockKey + LockNumber - r.CV}
	held, known := context[other]
	switch {
	case !known:
		return say("Open where %v holds %d as well, else locked.", other, v)
	case held == v:
		return say("Open: %v holds %d as well.", other, held)
	}
	return say("Locked: %v holds %d. Writes are not obeyed.", other, held)
}

func stopping(_ Register, v uint8, _ Values) []string {
	const asymmetry, cutOut, dc = 0b11, 0b100, 0b11_0000
	switch {
	case v&(asymmetry|cutOut|dc) == 0:
		return say("Nothing on the track stops the vehicle.")
	case v&asymmetry == asymmetry:
		return say("Stops at either sign of asymmetry, so whichever way it enters the section.")
	}
	return nil
}

func configuration(r Register, v uint8, context Values) []string {
	all := Values{}
	maps.Copy(all, context)
	all[r] = v
	if u := AddressInUse(all); u.Known {
		return say("The address in use is %v.", u)
	}
	return nil
}

func index(r Register, v uint8, context Values) []string {
	other := Register{CV: IndexHigh + IndexLow - r.CV}
	held, known := context[other]
	page := Page{High: v, Low: held}
	if r.CV == IndexLow {
		page = Page{High: held, Low: v}
	}
	switch {
	case (known || r.CV == IndexHigh) && page.High < FirstPage:
		return say("No page of the maker's: 0 to 15 in 31 are reserved.")
	case !known:
		return say("Read %v as well: the two choose one page.", other)
	}
	return say("Chooses page %v.", page)
}

func directionTrim(_ Register, v uint8, _ Values) []string {
	if v == 0 {
		return say("Not implemented.")
	}
	return say("%d/128: the speed is multiplied by %s.", v, decimal(float64(v)/128, 3))
}

func tableEntry(r Register, v uint8, context Values) []string {
	lines := say("Entry %d of 28: %d of 255.", r.CV-66, v)
	configuration, known := context[Register{CV: Configuration}]
	if known && configuration&(1<<4) == 0 {
		lines = append(lines, "Not in use: bit 4 of 29 is off.")
	}
	if below, known := context[Register{CV: r.CV - 1}]; known && r.CV > 67 && below > v {
		lines = append(lines, fmt.Sprintf("Slower than the step below it: %d holds %d.", r.CV-1, below))
	}
	return lines
}

func paged(r Register, _ uint8, context Values) []string {
	if r.Page != (Page{}) {
		return say("On page %v.", r.Page)
	}
	high, okHigh := context[Register{CV: IndexHigh}]
	low, okLow := context[Register{CV: IndexLow}]
	if okHigh && okLow {
		return say("The page chosen is %d.%d.", high, low)
	}
	return say("Which page it was read on is not known.")
}
