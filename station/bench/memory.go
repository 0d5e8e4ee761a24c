package bench

import (
	"maps"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv"
)

// The registers that S-9.2.2 gives a meaning that the decoder itself must heed.
const (
	primaryAddress    = 1
	startVoltage      = 2
	acceleration      = 3
	deceleration      = 4
	topVoltage        = 5
	middleVoltage     = 6
	version           = 7
	maker             = 8
	packetTimeOut     = 11
	lock              = 15
	lockKey           = 16
	addressHigh       = 17
	addressLow        = 18
	consistAddress    = 19
	accelerationTrim  = 23
	decelerationTrim  = 24
	automaticStopping = 27
	configuration     = 29
	indexHigh         = 31
	indexLow          = 32
	forwardTrim       = 66
	speedTable        = 67 // to 94
	reverseTrim       = 95
)

const (
	reversed        = 1 << 0          // bit of configuration
	manySteps       = 1 << 1          // likewise: 28 and 128 steps, not 14
	tableInUse      = 1 << 4          // likewise
	extendedAddress = 1 << 5          // likewise
	resetting       = 255             // what CV 8 holds until a factory reset is complete (S-9.2.3)
	erased          = 255             // what a register holds whose write was cut off
	changingEvery   = 2 * time.Second // how fast a register counts up that changes by itself
)

// kept is what outlives the loss of power.
type kept struct {
	values     cv.Values
	powerOns   uint64
	writes     uint64 // of registers that were begun
	resetting  bool
	cyclesLeft int  // power cycles until the reset is complete
	cut        bool // the power has been cut after Faults.PowerCutAfter
	removed    bool // the decoder has been removed after Faults.RemovedAfter
}

// update is a change of the memory on its way: it is there at the time at, all of it.
type update struct {
	at      time.Duration
	changes [4]change
	n       int
	reset   bool
}

type change struct {
	register cv.Register
	value    uint8
}

func (u *update) add(r cv.Register, value uint8) {
	u.changes[u.n] = change{r, value}
	u.n++
}

// Values is what all registers hold now.
func (d *Decoder) Values() cv.Values {
	all := maps.Clone(d.values)
	for r := range all {
		all[r], _ = d.read(r)
	}
	return all
}

// register is the register behind a CV, on the page that CV 31 and 32 choose (S-9.2.2).
func (d *Decoder) register(n nmra.CV) cv.Register {
	r := cv.Register{CV: n}
	if high := d.values[cv.Register{CV: indexHigh}]; r.Indexed() && high >= cv.FirstPage {
		r.Page = cv.Page{High: high, Low: d.values[cv.Register{CV: indexLow}]}
	}
	return r
}

// read is what a register answers for now; ok is false where it is absent.
func (d *Decoder) read(r cv.Register) (value uint8, ok bool) {
	value, ok = d.values[r]
	switch {
	case !ok:
	case r.CV == maker && d.resetting:
		value = resetting
	case r.CV == addressHigh && d.highPending:
		value = d.high
	case d.spec.Changing[r]:
		value += uint8((d.now - d.since) / changingEvery)
	}
	return value, ok
}

// holds says whether a register is there and holds the value.
func (d *Decoder) holds(n nmra.CV, value uint8) bool {
	v, ok := d.read(d.register(n))
	return ok && v == value
}

// locked says whether CV 15 and 16 forbid writes (S-9.2.2).
func (d *Decoder) locked() bool {
	a, okA := d.values[cv.Register{CV: lock}]
	b, okB := d.values[cv.Register{CV: lockKey}]
	return okA && okB && a != b
}

// write begins to write a register. It says whether the decoder obeys, and when the memory will have been updated.
func (d *Decoder) write(n nmra.CV, value uint8) (obeys bool, at time.Duration) {
	r := d.register(n)
	old, there := d.read(r)
	switch {
	case !there, d.updating, d.spec.ReadOnly[r], d.spec.Changing[r], n == version, d.locked() && n != lock:
		return false, 0
	case n == maker:
		if value != nmra.FactoryReset().Value {
			return false, 0
		}
		return d.begin(update{reset: true})
	}
	if span, ok := d.spec.Clamp[r]; ok {
		value = min(max(value, span.Least), span.Most)
	}
	if bits, ok := d.spec.Mask[r]; ok {
		value = old&^bits | value&bits
	}
	var u update
	switch {
	case n == addressHigh && d.has(addressLow):
		// S-9.2.2, CV 17 and 18: the pair takes effect as a whole, when its second half is written.
		d.high, d.highPending = value, true
		return true, d.now + d.spec.WriteTime
	case n == addressLow && d.highPending:
		u.add(cv.Register{CV: addressHigh}, d.high)
	}
	u.add(r, value)
	if n == primaryAddress {
		// S-9.2.3: by whatever method CV 1 is written, the extended and the consist address are no longer in use.
		d.alter(&u, configuration, extendedAddress, 0)
		d.alter(&u, consistAddress, 0xFF, 0)
	}
	return d.begin(u)
}

// writeBit begins to write one bit, as write does.
func (d *Decoder) writeBit(n nmra.CV, bit uint8, set bool) (obeys bool, at time.Duration) {
	value, ok := d.read(d.register(n))
	if !ok {
		return false, 0
	}
	if value &^= 1 << bit; set {
		value |= 1 << bit
	}
	return d.write(n, value)
}

func (d *Decoder) has(n nmra.CV) bool {
	_, ok := d.values[cv.Register{CV: n}]
	return ok
}

// alter adds to an update that some bits of a register change, where the decoder has it.
func (d *Decoder) alter(u *update, n nmra.CV, bits, to uint8) {
	r := cv.Register{CV: n}
	if old, ok := d.values[r]; ok {
		u.add(r, old&^bits|to&bits)
	}
}

func (d *Decoder) begin(u update) (obeys bool, at time.Duration) {
	u.at = d.now + d.spec.WriteTime
	d.update, d.updating = u, true
	d.writes++
	if n := d.spec.Faults.PowerCutAtWrite; n > 0 && d.writes == uint64(n) {
		d.cutAt = d.now + d.spec.WriteTime/2
	}
	return true, u.at
}

// commit completes an update.
func (d *Decoder) commit() {
	for _, c := range d.update.changes[:d.update.n] {
		d.values[c.register] = c.value
		if c.register.CV == addressHigh {
			d.highPending = false
		}
	}
	if d.update.reset {
		d.resetting, d.cyclesLeft = true, d.spec.PowerCycles
		d.completeReset()
	}
	d.updating = false
	d.changed++
	d.keep()
}

// abandon leaves an update that the loss of power cuts off: its first register is then neither old nor new, the others are old.
func (d *Decoder) abandon() {
	if d.update.n > 0 {
		d.values[d.update.changes[0].register] = erased
	}
	d.updating = false
	d.changed++
	d.keep()
}

// completeReset puts every register back to what it left its maker with, once no power cycle is left to wait for.
func (d *Decoder) completeReset() {
	if d.resetting && d.cyclesLeft == 0 {
		d.values = maps.Clone(d.spec.Registers)
		d.resetting = false
		d.changed++
	}
}

// keep remembers what outlives the loss of power, where there is something to remember it in.
func (d *Decoder) keep() {
	if d.save != nil && d.failed == nil {
		d.failed = d.save(&d.kept)
	}
}
