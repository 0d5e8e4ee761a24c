package text

import (
	"context"
	"fmt"

	"fettle/nmra"
)

// send sends a packet to the main, which it turns on first, by a command for driving or for functions where it can say the
// packet, else by the one for packets.
func (b *base) send(ctx context.Context, p nmra.Packet, times int) error {
	if err := b.ready(ctx); err != nil {
		return err
	}
	if p.Len() == 0 || times < 1 {
		return fmt.Errorf("sending packet %q %d times: want a packet with bytes, at least once", p, times)
	}
	commands, err := b.profile.commands(p, times)
	if err != nil {
		return err
	}
	if err := b.powerMain(); err != nil {
		return err
	}
	if err := b.ask(commands...); err != nil {
		return fmt.Errorf("sending packet %v: %w", p, err)
	}
	return nil
}

// commands are what says a packet: those for driving and for functions where they can say it, for the station then repeats them to the
// vehicle as it does its own; else the packet as it stands.
func (p *Profile) commands(packet nmra.Packet, times int) ([]*asked, error) {
	i, err := packet.Instruction(nmra.MainTrack)
	switch {
	case err == nil && p.drive.says(i) && (i.Kind == nmra.Speed || i.Kind == nmra.Stop):
		return []*asked{{command: p.drive, arguments: to(i.Address, arguments{
			"step": {int(i.Step)}, "steps": {int(i.Steps)}, "direction": {flag(i.Forward)}})}}, nil
	case err == nil && p.function.says(i) && i.Kind == nmra.Functions:
		var all []*asked
		first, last := i.Group.Span()
		for n := first; n <= last; n++ {
			state := int(i.States >> (n - first) & 1)
			all = append(all, &asked{command: p.function, arguments: to(i.Address, arguments{"function": {int(n)}, "state": {state}})})
		}
		return all, nil
	case p.packet != nil:
		return p.raw(packet, times), nil
	case err != nil:
		return nil, fmt.Errorf("packet %v: %w; the profile has no [packet] to send it as it stands: %w", packet, err, nmra.ErrNotInMode)
	case i.Kind == nmra.EmergencyStop:
		return nil, fmt.Errorf("%v: only a profile with [packet] can say it; turn the track off instead: %w", i, nmra.ErrNotInMode)
	}
	return nil, fmt.Errorf("%v: the profile has no [packet] to send it as it stands, and no other command that can say it: %w", i, nmra.ErrNotInMode)
}

// says whether a command for vehicles can speak to the address of an instruction, in its steps. Without {long} a station takes a low
// address for a short one; without {steps} it counts in 128.
func (c *command) says(i nmra.Instruction) bool {
	switch {
	case c == nil, i.Light, i.IgnoreDirection:
		return false
	case i.Steps != 0 && i.Steps != nmra.Steps128 && !c.send.has("steps"):
		return false
	case i.Address.Kind == nmra.Long:
		return c.send.has("long") || i.Address.Number > nmra.MaxShort
	}
	return i.Address.Kind == nmra.Short
}

func to(a nmra.Address, more arguments) arguments {
	more["address"], more["long"] = []int{int(a.Number)}, []int{flag(a.Kind == nmra.Long)}
	return more
}

// raw sends a packet as it stands, so many times in one command, or in so many.
func (p *Profile) raw(packet nmra.Packet, times int) []*asked {
	var octets []int
	for n := range packet.Len() {
		octets = append(octets, int(packet.Byte(n)))
	}
	commands := times
	if p.packet.send.has("times") {
		commands = 1
	}
	all := make([]*asked, commands)
	for n := range all {
		all[n] = &asked{command: p.packet, arguments: arguments{"packet": octets, "packet_data": octets[:len(octets)-1], "times": {times}}}
	}
	return all
}
