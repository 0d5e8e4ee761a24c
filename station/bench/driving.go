package bench

import (
	"math"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv"
)

// orders are what a decoder has been told about driving, since its power came on.
type orders struct {
	step      int  // what it is to reach: above 0 front first, below 0 rear first
	back      bool // the direction, where step is 0: rear first
	top       int  // the highest step of those that step counts in; 0: none was told
	emergency bool // the motor is cut until a step is told
	lights    bool
	at        time.Duration // when a speed was told last
}

// at is what a register holds; 0 where it is absent.
func (d *Decoder) at(n nmra.CV) uint8 { return d.values[cv.Register{CV: n}] }

// obey takes what drives the vehicle: speeds, stops, and function 0. A restriction of speed has no effect.
func (d *Decoder) obey(i nmra.Instruction) {
	switch i.Kind {
	case nmra.Functions:
		if i.Group == nmra.F0toF4 && d.at(configuration)&manySteps != 0 {
			d.orders.lights = i.States&1 != 0
		}
		return
	case nmra.Speed, nmra.Stop, nmra.EmergencyStop:
	default:
		return
	}
	consist := d.at(consistAddress)
	inConsist := consist&0x7F != 0
	if inConsist && i.Address.Kind != nmra.Broadcast && (i.Address.Kind == nmra.Long || i.Address.Number != uint16(consist&0x7F)) {
		return // S-9.2.2, CV 19: in a consist it takes no speed by its own address
	}
	o := &d.orders
	o.at, o.emergency, o.step = d.now, i.Kind == nmra.EmergencyStop, 0
	if i.Steps == nmra.Steps14 {
		o.lights = i.Light
	}
	if !i.IgnoreDirection {
		o.back = !i.Forward
		if d.at(configuration)&reversed != 0 {
			o.back = !o.back
		}
		if inConsist && consist>>7 == 1 {
			o.back = !o.back
		}
	}
	if i.Kind == nmra.Speed {
		o.step, o.top = int(i.Step), int(i.Steps.Top())
		if o.back {
			o.step = -o.step
		}
	}
}

// overdue stops a decoder that has heard no speed for as long as CV 11 allows: in seconds (from memory), and 0 for ever.
func (d *Decoder) overdue(now time.Duration) {
	if most := d.at(packetTimeOut); most > 0 && d.orders.step != 0 && now-d.orders.at > time.Duration(most)*time.Second {
		d.orders.step = 0
	}
}

// drive is the drive level, from 0 to 1, at a step, whole or not, out of top.
//
// S-9.2.2 (July 2012): CV 2, 5 and 6, or while bit 4 of CV 29 is set CV 67 to 94 with the trims CV 66 and 95, all in parts of 255; that the
// three are joined by straight lines, and so are the 28 entries with other numbers of steps, from memory.
func (d *Decoder) drive(step, top float64, frontFirst bool) float64 {
	if step <= 0 {
		return 0
	}
	if d.at(configuration)&tableInUse != 0 && d.has(speedTable) {
		return d.table(step/top*28, frontFirst)
	}
	start, middle, most := float64(d.at(startVoltage)), float64(d.at(middleVoltage)), float64(d.at(topVoltage))
	if most <= 1 {
		most = 255
	}
	if middle <= 1 {
		middle = (start + most) / 2
	}
	var level float64
	switch half := (1 + top) / 2; {
	case step <= 1:
		level = step * start
	case step <= half:
		level = start + (step-1)/(half-1)*(middle-start)
	default:
		level = middle + (step-half)/(top-half)*(most-middle)
	}
	return level / 255
}

// table is the drive level at a place in the speed table, of which its 28 entries are 1 to 28.
func (d *Decoder) table(place float64, frontFirst bool) float64 {
	entry := func(n int) float64 {
		if n < 1 {
			return 0
		}
		return float64(d.at(speedTable + nmra.CV(min(n, 28)) - 1))
	}
	below := math.Floor(place)
	level := entry(int(below)) + (place-below)*(entry(int(below)+1)-entry(int(below)))
	trim := d.at(forwardTrim)
	if !frontFirst {
		trim = d.at(reverseTrim)
	}
	if trim != 0 {
		level *= float64(trim) / 128
	}
	return min(level/255, 1)
}

// momentum is how long the drive takes from one step to the next, in seconds: S-9.2.2 (July 2012), CV 3 and 23 for faster, 4 and 24 for
// slower, value x 0.896 / steps in use; bit 7 of a trim takes it away.
func (d *Decoder) momentum(faster bool, top int) float64 {
	value, trim := d.at(deceleration), d.at(decelerationTrim)
	if faster {
		value, trim = d.at(acceleration), d.at(accelerationTrim)
	}
	steps := top
	if top == int(nmra.Steps128.Top()) {
		steps = int(nmra.Steps128)
	}
	return cv.SecondsAStep(int(value)+cv.TrimOf(trim), nmra.Steps(steps))
}
