package board

import (
	"context"
	"errors"
	"fmt"
	"time"

	"fettle/station"
	"fettle/station/board/link"
)

// What the board's checks hold it to.
//
// NMRA S-9.1 (2020): the voltage at a station. NMRA S-9.2.3 (July 2012), section D: a decoder at rest. The rest is our own choice.
const (
	leastSupply, mostSupply = 8.5, 22.0 // volts
	goodLeast, goodMost     = 12.0, 16.0
	mostAtRest              = station.Milliamps(100)
	leastAtRest             = station.Milliamps(1) // less is what an empty track shows
	mostEmpty               = station.Milliamps(5)
	samples                 = 8 // that a current is the mean of
	sampleApart             = 10 * time.Millisecond
	gatePatience            = 30 * time.Second
)

// Checks are those of the board: its supply, its current sense, whether it turns its track off when it hears nothing, and each gate.
func (b *Board) Checks() []station.Check {
	checks := []station.Check{
		{Name: "supply", Scene: station.PowerOff, Run: b.checkSupply},
		{Name: "current of an empty track", Scene: station.EmptyTrack, Run: b.checkEmpty},
		{Name: "silence cut", Scene: station.EmptyTrack, Run: b.checkSilence},
		{Name: "current of a decoder", Scene: station.WithDecoder, Run: b.checkDecoder},
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	for gate := range int(b.hello.Gates) {
		checks = append(checks, station.Check{Name: fmt.Sprintf("gate %d", gate+1), Scene: station.HandAtGate,
			Run: func(ctx context.Context) (string, error) { return b.checkGate(ctx, gate+1) }})
	}
	return checks
}

func (b *Board) checkSupply(ctx context.Context) (string, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.usable(ctx); err != nil {
		return "", err
	}
	state, err := b.state()
	if err != nil {
		return "", err
	}
	volts := float64(state.SupplyTenths) / 10
	saw := fmt.Sprintf("%.1f V", volts)
	switch {
	case volts < 1:
		return saw, b.wrong("there is no supply at the track's bridge: see that it is switched on, its plug in, its fuse whole and its poles the right " +
			"way round; then that the divider of 39 kΩ and 10 kΩ is at pin PC5")
	case volts < leastSupply:
		return saw, b.wrong("the supply gives %s, and a track wants %.1f to %.0f V: use one of %.0f to %.0f V", saw, leastSupply, mostSupply, goodLeast, goodMost)
	case volts > mostSupply:
		return saw, b.wrong("the supply gives %s, more than the %.0f V that a track may have: take it away at once and use one of %.0f to %.0f V",
			saw, mostSupply, goodLeast, goodMost)
	case volts < goodLeast || volts > goodMost:
		return fmt.Sprintf("%s: allowed on a track, but not the %.0f to %.0f V that the board is made for", saw, goodLeast, goodMost), nil
	}
	return saw, nil
}

// current is the mean of several samples of the track's current.
func (b *Board) current(ctx context.Context) (station.Milliamps, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.usable(ctx); err != nil {
		return 0, err
	}
	if err := b.certain(); err != nil {
		return 0, err
	}
	if b.track == link.TrackOff {
		return 0, b.wrong("its track is off, turn it on first")
	}
	var sum station.Milliamps
	for range samples {
		if err := b.wait(sampleApart); err != nil {
			return 0, err
		}
		state, err := b.state()
		if err != nil {
			return 0, err
		}
		if b.doubt {
			if err := b.cut(); err != nil {
				return 0, err
			}
		}
		sum += tenths(state.CurrentTenths)
	}
	return sum / samples, nil
}

func (b *Board) checkEmpty(ctx context.Context) (string, error) {
	current, err := b.current(ctx)
	var overload station.Overload
	switch {
	case errors.As(err, &overload):
		return fmt.Sprintf("%.0f mA", overload.Current), fmt.Errorf("%w: with nothing on the track that is a short in the wiring or on the rails, "+
			"or a current sense that is wired backwards: find it before the power goes on again", err)
	case err != nil:
		return "", err
	}
	saw := fmt.Sprintf("%.1f mA", current)
	if current > mostEmpty {
		return saw, b.wrong("%s with nothing on the track, want at most %.0f mA: see that nothing stands on it; then the current sense is not trimmed, or "+
			"wired backwards: at pin PC0 it has to give 0 V without current, and 4 mV for each mA", saw, mostEmpty)
	}
	return saw, nil
}

func (b *Board) checkDecoder(ctx context.Context) (string, error) {
	current, err := b.current(ctx)
	if err != nil {
		return "", err
	}
	saw := fmt.Sprintf("%.1f mA", current)
	switch {
	case current < leastAtRest:
		return saw, b.wrong("%s with a decoder on the track: see that its wheels touch clean rails and that the track is wired to the board; then that the "+
			"current sense gives 4 mV for each mA at pin PC0: one that is wired backwards gives nothing", saw)
	case current > mostAtRest:
		return saw, b.wrong("%s with a decoder on the track, and one at rest draws at most %.0f mA: turn its lights and sounds off, leave one vehicle on "+
			"the track, and see that the current sense is trimmed to 4 mV for each mA", saw, mostAtRest)
	}
	return saw, nil
}

// checkSilence says nothing for long enough, and turns the track on again after it.
func (b *Board) checkSilence(ctx context.Context) (string, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.usable(ctx); err != nil {
		return "", err
	}
	if err := b.certain(); err != nil {
		return "", err
	}
	if b.track == link.TrackOff {
		return "", b.wrong("its track is off, turn it on first")
	}
	b.silent = true
	long := time.Duration(b.hello.SilenceMS)*time.Millisecond + 200*time.Millisecond
	err := b.wait(long)
	b.silent = false
	if err != nil {
		return "", err
	}
	state, err := b.state()
	if err != nil {
		return "", err
	}
	if state.Track != link.TrackOff {
		return "", errors.Join(b.wrong("it heard nothing for %v and its track is still on: do not use it, load its firmware anew with fettle station load",
			long.Round(10*time.Millisecond)), b.turnOff())
	}
	if state.Cause != link.CauseSilence {
		return "", b.cut()
	}
	b.track, b.doubt, b.off = link.TrackOff, false, b.line.Now()
	_, err = b.turnOn(ctx, link.TrackProgramming)
	return fmt.Sprintf("it turned its track off by itself within %v of silence", long.Round(10*time.Millisecond)), err
}

func (b *Board) checkGate(ctx context.Context, gate int) (string, error) {
	b.mu.Lock()
	b.gates.waiting = nil
	until := b.line.Now() + gatePatience
	b.mu.Unlock()
	other := ""
	var closed time.Duration
	for is := false; ; {
		edge, ok, err := b.edge(ctx)
		switch {
		case err != nil:
			return "", err
		case ok && edge.Gate != gate:
			other = fmt.Sprintf("; gate %d was seen to change: see which is wired to which pin", edge.Gate)
		case ok && edge.Closed:
			is, closed = true, edge.At
		case ok && is:
			return fmt.Sprintf("it closed, and opened %.2f s later", (edge.At - closed).Seconds()), nil
		}
		if b.now() > until {
			what := "it was not seen to close: hold something in it"
			if is {
				what = "it closed and was not seen to open: take what is in it out"
			}
			return "", b.wrong("gate %d: %s; then see that its output is at pin PC%d, and is low when something stands in it%s", gate, what, gate, other)
		}
	}
}

func (b *Board) now() time.Duration {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.line.Now()
}
