package bench

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"fettle/nmra"
	"fettle/station"
)

var (
	_ station.Layout = (*Bench)(nil)
	_ station.Gates  = (*Bench)(nil)
)

// Lay builds a section, in place of the one that was there. The vehicle is that of the first decoder whose file has one.
func (b *Bench) Lay(s station.Section) error {
	if err := b.quiet("laying a section"); err != nil {
		return err
	}
	switch {
	case s.Length < 0 || s.Length > 100_000:
		return fmt.Errorf("laying a section: its length is %v, want 0 to 100 m", s.Length)
	case !slices.IsSorted(s.Gates):
		return fmt.Errorf("laying a section: its gates stand at %v, want them in order", s.Gates)
	}
	if err := b.railed(); err != nil {
		return fmt.Errorf("laying a section: %w", err)
	}
	b.railway.build(s)
	return nil
}

// Place puts the vehicle down at rest, as far before the section as it needs to reach any speed with the momentum that its decoder holds. A
// run with the section begins before its trigger, one against it beyond its other end. Its scatter, and a fault of contact, are drawn anew.
func (b *Bench) Place(lead station.Lead, way station.Way) error {
	if err := b.quiet("placing the vehicle"); err != nil {
		return err
	}
	if err := b.railed(); err != nil {
		return fmt.Errorf("placing the vehicle: %w", err)
	}
	b.railway.place(lead, way, b.now)
	return nil
}

// quiet says whether the track may be built on.
func (b *Bench) quiet(doing string) error {
	if b.closed {
		return fmt.Errorf("%s: the bench has been closed: %w", doing, station.ErrStation)
	}
	if b.track.Powered() {
		return fmt.Errorf("%s: the track is on, turn it off first", doing)
	}
	return nil
}

// railed sees that there is a railway.
func (b *Bench) railed() error {
	if b.railway != nil {
		return nil
	}
	for _, d := range b.track.decoders {
		if d.spec.Vehicle.Top > 0 {
			b.railway = &railway{decoder: d, now: b.now, ahead: 1, contact: true}
			return nil
		}
	}
	return fmt.Errorf("%s has no vehicle, want a decoder whose file has [vehicle]", b.track.Title())
}

// Look says where the vehicle is.
func (b *Bench) Look() station.View {
	if b.railway == nil {
		return station.View{}
	}
	b.railway.advance(b.now)
	return b.railway.view()
}

// Wait lets time pass: at most the last packet longer than d while the track is on. What was sent last to each address about its speed, and
// about its functions, is sent over and over, with idle packets between.
func (b *Bench) Wait(ctx context.Context, d time.Duration) error {
	if err := b.usable(ctx); err != nil {
		return err
	}
	end := b.now + d
	if !b.track.Powered() {
		b.now = max(b.now, end)
		b.move()
		return nil
	}
	b.sensor = sensor{}
	for b.now < end {
		if err := b.refresh(ctx); err != nil {
			return err
		}
	}
	b.move()
	return b.track.Err()
}

// refresh plays the next packet of what a station sends by itself.
func (b *Bench) refresh(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	p := idle
	if b.turn++; b.turn%2 == 0 && len(b.standing) > 0 {
		p = b.standing[b.turn/2%len(b.standing)].packet
	}
	return b.play(p, nmra.Preamble)
}

// standing is an order that goes on being sent.
type standing struct {
	to     nmra.Address
	group  int // -1: of speed; else of functions
	packet nmra.Packet
}

// remember has a packet go on being sent, in place of those that it outdates.
func (b *Bench) remember(p nmra.Packet) {
	i, err := p.Instruction(nmra.MainTrack)
	if err != nil {
		return
	}
	now := standing{i.Address, -1, p}
	switch i.Kind {
	case nmra.Speed, nmra.Stop, nmra.EmergencyStop:
	case nmra.Functions:
		now.group = int(i.Group)
	case nmra.DecoderReset, nmra.HardReset:
		b.standing = slices.DeleteFunc(b.standing, func(s standing) bool { return i.Address.Kind == nmra.Broadcast || s.to == i.Address })
		return
	default:
		return
	}
	b.standing = slices.DeleteFunc(b.standing, func(s standing) bool {
		return s.group == now.group && (s.to == now.to || i.Address.Kind == nmra.Broadcast)
	})
	b.standing = append(b.standing, now)
}

// Gate gives the next edge at a gate of the section: its leading end closes a gate, its trailing end opens it. Where none is waiting, time
// passes until there is one. It fails where nothing moves that could make one.
func (b *Bench) Gate(ctx context.Context) (station.GateEdge, error) {
	if err := b.usable(ctx); err != nil {
		return station.GateEdge{}, err
	}
	r := b.railway
	if r == nil || len(r.gates) == 0 {
		return station.GateEdge{}, errors.New("waiting at a gate: there is none that a vehicle comes to, lay a section with gates and place the vehicle first")
	}
	b.move()
	for len(r.edges) == 0 {
		if !b.track.Powered() || r.speed == 0 && (r.target() == 0 || r.imposed) {
			return station.GateEdge{}, fmt.Errorf("waiting at a gate: the vehicle has no reason to move from %v past the trigger", r.view().Past)
		}
		if err := b.refresh(ctx); err != nil {
			return station.GateEdge{}, err
		}
	}
	edge := r.edges[0]
	r.edges = r.edges[1:]
	return edge, nil
}

// move lets the vehicle come to where it is now, and heed what has changed. Without one there is nothing to do.
func (b *Bench) move() {
	if b.railway != nil {
		b.railway.advance(b.now)
		b.railway.heed()
	}
}
