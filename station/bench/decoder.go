package bench

import (
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
)

// NMRA S-9.2.3 (July 2012), section D.
const serviceTimeout = 20 * time.Millisecond // without a reset or service-mode packet, after which a decoder leaves service mode

// spread keeps the noise of neighbouring seeds apart, however often the power comes on.
const spread = 0x9E3779B97F4A7C15

const never = time.Duration(math.MaxInt64)

// Decoder is one decoder. Make it with [Spec.New] and put it on a track with [New]; it is not to stand on two.
type Decoder struct {
	spec Spec
	kept
	save   func(*kept) error // nil: it forgets
	failed error             // of save

	seed    uint64 // by which the noise differs from that of others
	noise   rand.PCG
	random  *rand.Rand
	now     time.Duration
	due     time.Duration // of what happens next by itself
	cutAt   time.Duration // when the power is to be cut, or never
	goneAt  time.Duration // when it is to be removed, or never
	cutting bool          // the power is to be cut now
	gone    bool          // off the track

	changed int // how often what the registers hold has changed

	// What the loss of power wipes out.
	powered     bool
	since       time.Duration // power-on
	inrushUntil time.Duration
	receiver    wave.Receiver
	complete    bool          // the receiver has a packet
	acts        bool          // on the bit that it heard last
	service     bool          // in service mode
	heard       time.Duration // the last reset or service-mode packet
	last        nmra.Packet   // the last valid packet
	run         int           // how many like it came in a row
	resets      int           // how many came in a row right before the run
	rested      bool          // they are as many as the decoder needs before the service-mode packet at hand
	lastToUs    nmra.Packet   // on the main
	runToUs     int
	page        uint8
	high        uint8 // CV 17, as long as CV 18 has not been written
	highPending bool
	update      update
	updating    bool
	pulse       pulse
	orders      orders
}

// New makes a decoder as it comes out of its box. seed varies the noise of the track: with the same one, everything happens alike.
func (s Spec) New(seed uint64) *Decoder {
	d := &Decoder{spec: s, kept: kept{values: maps.Clone(s.Registers)}, seed: seed, due: never, cutAt: never, goneAt: never}
	d.random = rand.New(&d.noise)
	return d
}

// place puts the decoder on a track.
func (d *Decoder) place() {
	if at := d.spec.Faults.PowerCutAfter; at > 0 && !d.cut {
		d.cutAt = at
	}
	if at := d.spec.Faults.RemovedAfter; at > 0 && !d.removed {
		d.goneAt = at
	}
	d.schedule()
}

func (d *Decoder) powerOn(now time.Duration) {
	if d.now = now; d.gone {
		return
	}
	d.powered, d.since, d.inrushUntil = true, now, now+d.spec.Rest.InrushTime
	d.receiver = wave.Receiver{}
	d.service, d.last, d.run, d.resets, d.lastToUs, d.runToUs, d.page = false, nmra.Packet{}, 0, 0, nmra.Packet{}, 0, 1
	d.highPending, d.pulse, d.orders = false, pulse{}, orders{}
	d.powerOns++
	d.noise.Seed(d.spec.Ack.Seed, d.seed*spread+d.powerOns)
	d.cyclesLeft = max(d.cyclesLeft-1, 0)
	d.completeReset()
	d.keep()
}

func (d *Decoder) powerOff(now time.Duration) {
	d.now = now
	if d.powered && d.updating {
		d.abandon()
	}
	d.powered = false
	d.schedule()
}

// schedule finds what happens next by itself.
func (d *Decoder) schedule() {
	d.due = min(d.cutAt, d.goneAt)
	if d.updating {
		d.due = min(d.due, d.update.at)
	}
}

// hear takes a bit that ended at now, and says whether the decoder is to act.
func (d *Decoder) hear(one bool, now time.Duration) bool {
	d.now = now
	d.complete = d.powered && d.receiver.Bit(one) == wave.Complete
	d.acts = d.complete || now >= d.due
	return d.acts
}

// act lets everything happen that is due, and takes in the packet that is complete.
func (d *Decoder) act() {
	if d.updating && d.now >= d.update.at && d.update.at < min(d.cutAt, d.goneAt) {
		d.commit()
	}
	if d.now >= d.cutAt {
		d.cutAt, d.cutting = never, true
		d.cut = d.cut || d.spec.Faults.PowerCutAfter > 0 && d.now >= d.spec.Faults.PowerCutAfter
		d.keep()
	}
	if d.now >= d.goneAt {
		d.goneAt, d.gone, d.removed = never, true, true
		d.powerOff(d.now)
		d.keep()
	}
	if d.complete && d.powered {
		d.packet(d.receiver.Packet(), d.receiver.Lead())
	}
	d.schedule()
}

var reset, _ = nmra.Reset().Encode()

// packet takes a packet whose end bit has just come, behind so many ones.
func (d *Decoder) packet(p nmra.Packet, preamble int) {
	// S-9.2.3, section D: service mode begins with a service-mode packet right after a reset, and ends by itself.
	late := d.now-d.heard >= serviceTimeout
	d.service = d.service && !late
	service := (d.service || d.last == reset && !late) && forService(p)
	if service && preamble < nmra.LongPreamble {
		return
	}
	if p == d.last {
		d.run++
	} else {
		d.last, d.run = p, 1
	}
	switch {
	case service:
		d.service, d.heard = true, d.now
		if d.run == 1 {
			d.rested = d.resets >= d.spec.Pace.Resets
		}
		// S-9.2.3, section E: two identical packets with none between; the others of the run repeat what has been done.
		if d.rested && d.run == max(d.spec.Pace.Packets, 2) {
			d.serve(p)
		}
	case p == reset:
		d.heard, d.lastToUs = d.now, nmra.Packet{}
		d.orders = orders{emergency: true, at: d.now} // S-9.2: a reset brings all vehicles to an emergency stop
		d.resets = d.run
		return
	default:
		d.service = false
		d.onMain(p)
	}
	d.resets = 0
}

// forService says whether a packet is one for service mode: 0111 at the front, and of the length of one.
func forService(p nmra.Packet) bool {
	return p.Byte(0)>>4 == 0b0111 && (p.Len() == 3 || p.Len() == 4)
}

// serve does what a service-mode packet says, and acknowledges it.
func (d *Decoder) serve(p nmra.Packet) {
	yes, at := false, d.now
	if i, err := p.Instruction(nmra.ServiceTrack); err == nil {
		switch i.Kind {
		case nmra.DirectVerify, nmra.DirectWrite, nmra.DirectVerifyBit, nmra.DirectWriteBit:
			if d.knows(nmra.Direct) {
				yes, at = d.direct(i)
			}
		case nmra.RegisterVerify, nmra.RegisterWrite:
			yes, at = d.throughRegister(i)
		}
	}
	if !yes {
		at = d.now
	}
	d.answer(yes, at)
}

func (d *Decoder) knows(m nmra.Mode) bool { return slices.Contains(d.spec.Modes, m) }

func (d *Decoder) direct(i nmra.Instruction) (yes bool, at time.Duration) {
	switch i.Kind {
	case nmra.DirectWrite:
		return d.write(i.CV, i.Value)
	case nmra.DirectWriteBit:
		return d.writeBit(i.CV, i.Bit, i.BitValue)
	case nmra.DirectVerifyBit:
		value, ok := d.read(d.register(i.CV))
		return ok && (value>>i.Bit&1 == 1) == i.BitValue, d.now
	}
	return d.holds(i.CV, i.Value), d.now
}

// throughRegister serves paged, register and address-only mode, whose packets are the same (S-9.2.3, section E).
func (d *Decoder) throughRegister(i nmra.Instruction) (yes bool, at time.Duration) {
	if i.Register == nmra.PageRegister {
		if !d.knows(nmra.Paged) {
			return false, 0
		}
		if i.Kind == nmra.RegisterVerify {
			return d.page == i.Value, d.now
		}
		d.page = i.Value
		return true, d.now
	}
	n, ok := d.behind(i.Register)
	if !ok {
		return false, 0
	}
	if i.Kind == nmra.RegisterWrite {
		return d.write(n, i.Value)
	}
	return d.holds(n, i.Value), d.now
}

// behind is the CV behind a physical register, in the modes that the decoder knows. Register mode and address-only mode are paged
// mode with the page register at 1, so a decoder that knows paged mode has them follow the page register.
func (d *Decoder) behind(register uint8) (n nmra.CV, ok bool) {
	switch {
	case register < 4 && d.knows(nmra.Paged):
		return nmra.CV(d.page-1)*4 + nmra.CV(register) + 1, true // page 0 is page 256: the register has eight bits
	case register < 4 && d.knows(nmra.Registers):
		return nmra.CV(register) + 1, true
	case register == 0:
		return primaryAddress, d.knows(nmra.AddressOnly)
	case !d.knows(nmra.Registers):
		return 0, false
	}
	switch register {
	case nmra.ConfigurationRegister:
		return configuration, true
	case nmra.VersionRegister:
		return version, true
	case nmra.MakerRegister:
		return maker, true
	}
	return 0, false
}
