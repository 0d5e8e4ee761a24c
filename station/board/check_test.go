package board

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"fettle/station"
	"fettle/station/board/link"
)

// run runs the check of a name.
func run(t *testing.T, b *Board, name string) (string, error) {
	t.Helper()
	for _, c := range b.Checks() {
		if c.Name == name {
			return c.Run(t.Context())
		}
	}
	t.Fatalf("no check is named %q", name)
	return "", nil
}

// verdict holds a check to what it should say: saw begins with it, and the error, if there is to be one, has the words.
func verdict(t *testing.T, what, saw string, err error, wantSaw, wantErr string) {
	t.Helper()
	if !strings.HasPrefix(saw, wantSaw) {
		t.Errorf("%s: saw %q, want %q", what, saw, wantSaw)
	}
	if (err != nil) != (wantErr != "") || err != nil && !strings.Contains(err.Error(), wantErr) {
		t.Errorf("%s: error %v, want %q", what, err, wantErr)
	}
}

func TestTheSupplyIsOneThatATrackMayHave(t *testing.T) {
	for _, c := range []struct {
		tenths   uint16
		saw, err string
	}{
		{0, "0.0 V", "no supply"}, {8, "0.8 V", "no supply"},
		// NMRA S-9.1 (2020): 8.5 to 22 V at the station.
		{84, "8.4 V", "the supply gives"}, {85, "8.5 V: allowed", ""}, {220, "22.0 V: allowed", ""}, {221, "22.1 V", "take it away at once"},
		{120, "12.0 V", ""}, {160, "16.0 V", ""}, {119, "11.9 V: allowed", ""}, {161, "16.1 V: allowed", ""},
	} {
		b, l := opened(t, says(link.State, with(link.StateAnswer{SupplyTenths: c.tenths})))
		saw, err := run(t, b, "supply")
		verdict(t, "supply", saw, err, c.saw, c.err)
		l.done()
	}
}

// flowing is the track with so much current, for one measurement.
func flowing(tenths uint16) (turns []turn) {
	for range samples {
		turns = append(turns, says(link.State, with(link.StateAnswer{Track: link.TrackProgramming, CurrentTenths: tenths})))
	}
	return turns
}

func TestTheCurrentSenseShowsNothingOnAnEmptyTrackAndADecoderAtRest(t *testing.T) {
	for _, c := range []struct {
		check    string
		tenths   uint16
		saw, err string
	}{
		{"current of an empty track", 0, "0.0 mA", ""}, {"current of an empty track", 12, "1.2 mA", ""},
		{"current of an empty track", 51, "5.1 mA", "wired backwards"}, {"current of an empty track", 8000, "800.0 mA", "not trimmed"},
		{"current of a decoder", 0, "0.0 mA", "wheels"}, {"current of a decoder", 81, "8.1 mA", ""},
		// NMRA S-9.2.3 (July 2012), section D: at most 100 mA at rest.
		{"current of a decoder", 1000, "100.0 mA", ""}, {"current of a decoder", 1001, "100.1 mA", "at most 100 mA"},
	} {
		b, l := live(t, flowing(c.tenths)...)
		saw, err := run(t, b, c.check)
		verdict(t, c.check, saw, err, c.saw, c.err)
		l.done()
		b, _ = opened(t)
		if _, err := run(t, b, c.check); !errors.Is(err, station.ErrStation) || !strings.Contains(err.Error(), "off") {
			t.Errorf("%s with the track off: %v", c.check, err)
		}
	}
	b, l := live(t, says(link.State, with(isCut(link.CauseShort, 12000))), says(link.State, with(isCut(link.CauseShort, 12000))))
	l.say(link.Cut, 3, link.CutEvent{Cause: link.CauseShort, HighestTenths: 12000})
	saw, err := run(t, b, "current of an empty track")
	verdict(t, "a short", saw, err, "1200 mA", "short in the wiring")
}

func TestTheSilenceCutIsProvenBySilence(t *testing.T) {
	b, l := live(t, says(link.State, with(isCut(link.CauseSilence, 0))), says(link.On, with(isProgramming)), says(link.Train, with(played)))
	began := l.now
	l.then(began+500*time.Millisecond, func() { l.say(link.Gate, 1, link.GateEvent{Gate: 1, Closed: 1}) }) // it is not answered meanwhile
	saw, err := run(t, b, "silence cut")
	verdict(t, "silence", saw, err, "it turned its track off by itself", "")
	l.done()
	for n, f := range l.heard {
		if l.at[n] > began && l.at[n] < began+1100*time.Millisecond {
			t.Errorf("%v was said after %v", f, l.at[n]-began)
		}
	}
	b, l = live(t, says(link.State, with(isProgramming)), says(link.Off, with(isOff)))
	saw, err = run(t, b, "silence cut")
	verdict(t, "a board that does not", saw, err, "", "still on: do not use it")
	l.done()
	b, l = live(t, says(link.State, with(isCut(link.CauseOverload, 3000))), says(link.State, with(isCut(link.CauseOverload, 3000))))
	if _, err := run(t, b, "silence cut"); !errors.As(err, new(station.Overload)) {
		t.Errorf("an overload meanwhile: %v", err)
	}
	l.done()
}

func TestEachGateIsSeenToCloseAndToOpen(t *testing.T) {
	b, l := live(t)
	say := func(number, gate, closed uint8, micros uint32) {
		l.say(link.Gate, number, link.GateEvent{Gate: gate, Closed: closed, ClockMicros: micros})
	}
	say(1, 2, 0, 1000) // was closed before
	say(2, 2, 1, 500_000)
	say(3, 2, 0, 750_000)
	saw, err := run(t, b, "gate 2")
	verdict(t, "gate 2", saw, err, "it closed, and opened 0.25 s later", "")

	saw, err = run(t, b, "gate 1")
	verdict(t, "gate 1 with no hand", saw, err, "", "hold something in it; then see that its output is at pin PC1")

	say(4, 3, 1, 1_000_000)
	saw, err = run(t, b, "gate 1")
	verdict(t, "another one", saw, err, "", "gate 3 was seen to change")

	say(5, 4, 1, 1_100_000)
	saw, err = run(t, b, "gate 4")
	verdict(t, "gate 4 that stays closed", saw, err, "", "was not seen to open")

	if checks := b.Checks(); len(checks) != 4+int(aBoard.Gates) {
		t.Errorf("%d checks", len(checks))
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for _, c := range b.Checks() {
		if _, err := c.Run(ctx); !errors.Is(err, context.Canceled) {
			t.Errorf("%s, cancelled: %v", c.Name, err)
		}
	}
}
