package text

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"fettle/nmra"
	"fettle/station"
	"fettle/station/port"
)

// base is what every station has whatever its profile can do. It is not for use by several goroutines at once.
type base struct {
	talker
	on         bool // PowerOn was called
	live       bool // the programming track is, by command
	mainOn     bool // the main is, by command
	mainProven bool // and the station has said so
	rest       station.Draw
	closed     bool
}

// A station has the abilities that its profile has commands for.
type (
	programmer       struct{ *base }
	runner           struct{ *base }
	both             struct{ *base }
	programmerReader struct{ programmer }
	bothReader       struct{ both }
)

var (
	_ station.ProgrammingTrack = programmer{}
	_ station.Main             = runner{}
	_ station.ProgrammingTrack = both{}
	_ station.Main             = both{}
	_ station.Reader           = programmerReader{}
	_ station.Reader           = bothReader{}
	_ station.Checker          = (*base)(nil)
)

func (s programmer) Service(ctx context.Context, a nmra.Access) (station.Answer, error) {
	return s.service(ctx, a)
}
func (s both) Service(ctx context.Context, a nmra.Access) (station.Answer, error) {
	return s.service(ctx, a)
}
func (s runner) Send(ctx context.Context, p nmra.Packet, times int) error {
	return s.send(ctx, p, times)
}
func (s both) Send(ctx context.Context, p nmra.Packet, times int) error { return s.send(ctx, p, times) }

func (s programmerReader) Read(ctx context.Context, mode nmra.Mode, cv nmra.CV) (uint8, station.Answer, error) {
	return s.readRegister(ctx, mode, cv)
}
func (s bothReader) Read(ctx context.Context, mode nmra.Mode, cv nmra.CV) (uint8, station.Answer, error) {
	return s.readRegister(ctx, mode, cv)
}

// New is the station that a profile describes, on a line that is open. It has the abilities that the profile has commands for. Close
// closes the line.
func New(p Profile, l port.Line) station.Station {
	m := &p.line
	b := &base{talker: talker{profile: &p, line: l, lines: lines{start: m.answerStart, end: m.answerEnd, longest: m.longest}}}
	switch {
	case p.reads() && p.runs():
		return bothReader{both{b}}
	case p.reads():
		return programmerReader{programmer{b}}
	case p.programs() && p.runs():
		return both{b}
	case p.programs():
		return programmer{b}
	}
	return runner{b}
}

// readProfile reads a profile from a file.
func readProfile(name string) (Profile, error) {
	data, err := station.ReadFile("profile of a text station", name)
	if err != nil {
		return Profile{}, err
	}
	return ParseProfile(name, data)
}

// Describe gives the profile's title, and what is made from something else since the station has no command for it.
func (b *base) Describe() station.Description {
	d := station.Description{Kind: "text station", Title: b.profile.title}
	if made := b.profile.made(); len(made) > 0 {
		d.Title += " (" + strings.Join(made, "; ") + ")"
	}
	return d
}

// made says what is made from something else.
func (p *Profile) made() []string {
	var made []string
	say := func(words string, is bool) {
		for _, one := range made {
			is = is && one != words
		}
		if is {
			made = append(made, words)
		}
	}
	for _, mode := range nmra.Modes {
		s, ok := p.modes[mode]
		if !ok {
			continue
		}
		say("verifies made from reads", s.verifyByte == nil)
		say("verifies of a bit made from reads", s.verifyByte != nil && s.verifyBit == nil && mode == nmra.Direct)
	}
	say("it switches its programming track by itself", p.programs() && p.programming.on == nil)
	return made
}

// PowerOn turns the programming track on; where the station has none, the main. A main beside a programming track comes on with the
// first packet that is sent to it, so that nothing moves on the layout while a decoder is being programmed.
func (b *base) PowerOn(ctx context.Context) (station.Draw, error) {
	if err := b.usable(ctx); err != nil || b.on {
		return b.rest, err
	}
	began := b.line.Now()
	b.rest = station.Draw{Unmeasured: true}
	if b.profile.programs() {
		if on := b.profile.programming.on; on != nil {
			b.live = true // whatever comes of it: it is to be turned off
			parts, err := b.switched(on)
			if err != nil {
				return station.Draw{Airtime: b.line.Now() - began}, err
			}
			if ma, ok := parts["milliamps"]; ok {
				b.rest = station.Draw{Rest: station.Milliamps(ma)}
			}
		}
	} else if err := b.powerMain(); err != nil {
		return station.Draw{Airtime: b.line.Now() - began}, err
	}
	b.on = true
	b.rest.Airtime = b.line.Now() - began
	draw := b.rest
	b.rest.Airtime = 0
	return draw, nil
}

// PowerOff turns off what was turned on, whatever the context.
func (b *base) PowerOff(context.Context) error {
	b.on, b.mainProven = false, false
	var errs []error
	for _, t := range []struct {
		track
		live *bool
	}{{b.profile.programming, &b.live}, {b.profile.main, &b.mainOn}} {
		if !*t.live {
			continue
		}
		_, err := b.switched(t.off)
		if err != nil && !b.gone { // once more, since what came back may have been the late answer to something else
			_, err = b.switched(t.off)
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("turning a track off, which may be under power still, turn it off by hand: %w", err))
			continue
		}
		*t.live = false
	}
	return errors.Join(errs...)
}

// powerMain turns the main on.
func (b *base) powerMain() error {
	on := b.profile.main.on
	if on == nil || b.mainProven {
		return nil
	}
	b.mainOn = true // whatever comes of it: it is to be turned off
	_, err := b.switched(on)
	b.mainProven = err == nil
	return err
}

func (b *base) switched(c *command) (parts map[string]int, err error) {
	one := &asked{command: c, arguments: arguments{}}
	err = b.ask(one)
	return one.parts, err
}

// Close turns off what was turned on and closes the line. Where the line is gone there is nobody to tell.
func (b *base) Close() error {
	if b.closed {
		return nil
	}
	b.closed = true
	var err error
	if !b.gone {
		err = b.PowerOff(context.Background())
	}
	if closing := b.line.Close(); closing != nil && !b.gone {
		err = errors.Join(err, fmt.Errorf("%v; closing its port: %w: %w", &b.talker, closing, station.ErrStation))
	}
	return err
}

func (b *base) usable(ctx context.Context) error {
	if b.closed {
		return fmt.Errorf("%v: it has been closed: %w", &b.talker, station.ErrStation)
	}
	return ctx.Err()
}

func (b *base) ready(ctx context.Context) error {
	if err := b.usable(ctx); err != nil {
		return err
	}
	if !b.on {
		return fmt.Errorf("%v: its track is off, turn it on first: %w", &b.talker, station.ErrStation)
	}
	return nil
}
