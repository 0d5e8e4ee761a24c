package text

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"fettle/nmra"
	"fettle/station"
)

// Checks prove the profile command by command: each tells what was sent, what came back and which pattern took it. None changes a
// decoder: commands that write are shown and not sent.
func (b *base) Checks() []station.Check {
	var all []station.Check
	add := func(name string, scene station.Scene, run func(ctx context.Context) (string, error)) {
		all = append(all, station.Check{Name: name, Scene: scene, Run: run})
	}
	p := b.profile
	if t := p.programming; t.on != nil {
		add("templates programming_on and programming_off", station.PowerOff, b.checkPower)
	}
	for _, mode := range nmra.Modes {
		if s, ok := p.modes[mode]; ok {
			b.checksOf(mode, s, add)
		}
	}
	if c := p.drive; c != nil {
		add("template drive", station.EmptyTrack, b.checkSend(c, nmra.Instruction{
			Kind: nmra.Stop, Address: someVehicle, Steps: nmra.Steps128, Forward: true}))
	}
	if c := p.function; c != nil {
		add("template function", station.EmptyTrack, b.checkSend(c, nmra.Instruction{Kind: nmra.Functions, Address: someVehicle}))
	}
	if c := p.packet; c != nil {
		add("template packet", station.EmptyTrack, b.checkSend(c, nmra.Instruction{Kind: nmra.Idle}))
	}
	return all
}

// someVehicle is told to stand still, with its functions off: nothing moves whoever has the address.
var someVehicle = nmra.Address{Kind: nmra.Short, Number: 3}

func (b *base) checksOf(mode nmra.Mode, s service, add func(string, station.Scene, func(context.Context) (string, error))) {
	register, written := nmra.CV(8), nmra.CV(3) // every decoder has the first (S-9.2.2)
	if mode == nmra.AddressOnly {
		register, written = 1, 1
	}
	for _, c := range []*command{s.read, s.verifyByte, s.verifyBit} {
		if c != nil {
			add("template "+c.name+", nothing there", station.EmptyTrack, b.checkSilence(mode, c, register))
		}
	}
	for _, c := range []*command{s.read, s.verifyByte, s.verifyBit} {
		if c != nil {
			add("template "+c.name, station.WithDecoder, b.checkQuestion(mode, s, c, register))
		}
	}
	for _, c := range []*command{s.writeByte, s.writeBit} {
		if c != nil {
			add("template "+c.name, station.WithDecoder, func(context.Context) (string, error) {
				line := c.send.fill(withTag(ofAccess(nmra.Access{CV: written, Value: 12, BitValue: true})))
				return fmt.Sprintf("would send %s to set CV %d; not sent, since it would change the decoder: try it with a write to one that you can spare",
					quote(line), written), nil
			})
		}
	}
}

func withTag(a arguments) arguments {
	a["tag"] = []int{1}
	return a
}

// dialogue collects what was sent and what came back.
type dialogue struct{ words []string }

// add takes in commands that were asked together: each that was sent, then each line that came back, and what took it.
func (d *dialogue) add(commands ...*asked) {
	for len(commands) > 0 && commands[0].heard != nil { // else it was not sent
		log, sent := commands[0].heard, []string{}
		for len(commands) > 0 && commands[0].heard == log {
			sent = append(sent, quote(commands[0].sent))
			commands = commands[1:]
		}
		said := "sent " + strings.Join(sent, ", ")
		for _, h := range *log {
			said += fmt.Sprintf(", got %s, taken by %s", quote(h.line), h.by)
		}
		if len(*log) == 0 {
			said += ", and waited for no answer"
		}
		d.words = append(d.words, said)
	}
}

func (d *dialogue) String() string { return strings.Join(d.words, "; ") }

// try asks one command as part of a check.
func (b *base) try(d *dialogue, c *command, a arguments) (*asked, error) {
	one := &asked{command: c, arguments: a}
	err := b.ask(one)
	d.add(one)
	return one, err
}

func (b *base) checkPower(ctx context.Context) (string, error) {
	if err := b.usable(ctx); err != nil {
		return "", err
	}
	var d dialogue
	b.live = true
	if _, err := b.try(&d, b.profile.programming.on, arguments{}); err != nil {
		return d.String(), err
	}
	if _, err := b.try(&d, b.profile.programming.off, arguments{}); err != nil {
		return d.String(), err
	}
	b.live, b.on = false, false
	return d.String(), nil
}

// checkSilence asks with nothing on the track, so that the answer has to be no.
func (b *base) checkSilence(mode nmra.Mode, c *command, register nmra.CV) func(context.Context) (string, error) {
	return func(ctx context.Context) (string, error) {
		if err := b.ready(ctx); err != nil {
			return "", err
		}
		var d dialogue
		one, err := b.try(&d, c, ofAccess(nmra.Access{Mode: mode, CV: register, Value: 13}))
		if err == nil && one.yes {
			err = fmt.Errorf("%v; that is yes by the profile, and nothing is on the track: take off what is on it, or see whether yes and no "+
				"are the right way round", one)
		}
		return d.String(), err
	}
}

// checkQuestion asks of a register for what it holds and for what it does not.
func (b *base) checkQuestion(mode nmra.Mode, s service, c *command, register nmra.CV) func(context.Context) (string, error) {
	return func(ctx context.Context) (string, error) {
		if err := b.ready(ctx); err != nil {
			return "", err
		}
		var d dialogue
		a := nmra.Access{Mode: mode, CV: register}
		if c == s.read {
			one, err := b.try(&d, c, ofAccess(a))
			if err == nil && !one.yes {
				err = fmt.Errorf("%v; that is no by the profile, and every decoder holds something in CV %d: %w", one, register, errUnheard)
			}
			return d.String(), err
		}
		value, known, err := b.find(mode, s, register)
		if err != nil {
			return d.String(), err
		}
		if !known {
			one, err := b.try(&d, c, ofAccess(a))
			if err == nil && !one.yes {
				d.words = append(d.words, fmt.Sprintf("what CV %d holds is not known here, so that no more could be asked", register))
			}
			return d.String(), err
		}
		for _, right := range []bool{true, false} {
			a.Value, a.BitValue = value, value&1 == 1 == right
			if !right {
				a.Value = value ^ 1
			}
			one, err := b.try(&d, c, ofAccess(a))
			if err != nil {
				return d.String(), err
			}
			if one.yes != right {
				return d.String(), fmt.Errorf("%v; by the profile that is %s, and CV %d holds %d: %w", one, yesOrNo(one.yes), register, value, errUnheard)
			}
		}
		return d.String(), nil
	}
}

func yesOrNo(yes bool) string {
	if yes {
		return "yes"
	}
	return "no"
}

var errUnheard = errors.New("see whether yes and no are the right way round, clean the wheels and the rails, and see that the decoder has this mode")

// find finds out what a register holds, by the quickest way that the profile has; known is false where it has none, or nothing answers.
func (b *base) find(mode nmra.Mode, s service, register nmra.CV) (value uint8, known bool, err error) {
	if s.read != nil {
		return b.read(s.read, register)
	}
	direct, ok := b.profile.modes[nmra.Direct]
	switch {
	case ok && direct.read != nil:
		return b.read(direct.read, register)
	case !ok || direct.verifyBit == nil:
		return 0, false, nil
	}
	for bit := range uint8(8) {
		set, err := b.acknowledged(direct.verifyBit, nmra.Access{Mode: nmra.Direct, CV: register, Bit: bit, BitValue: true})
		if err != nil {
			return 0, false, err
		}
		if set {
			value |= 1 << bit
		}
	}
	return value, value != 0, nil // no maker has the number 0, and no decoder the address
}

// checkSend sends to the main what moves nothing.
func (b *base) checkSend(c *command, i nmra.Instruction) func(context.Context) (string, error) {
	return func(ctx context.Context) (string, error) {
		if err := b.ready(ctx); err != nil {
			return "", err
		}
		packet, err := i.Encode()
		if err != nil {
			return "", err
		}
		only := Profile{}
		switch c {
		case b.profile.drive:
			only.drive = c
		case b.profile.function:
			only.function = c
		default:
			only.packet = c
		}
		commands, err := only.commands(packet, 1)
		if err != nil {
			return "", err
		}
		if err := b.powerMain(); err != nil {
			return "", err
		}
		var d dialogue
		err = b.ask(commands...)
		d.add(commands...)
		return d.String(), err
	}
}
