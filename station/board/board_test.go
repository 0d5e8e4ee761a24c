package board

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/station"
	"fettle/station/board/link"
)

var verify = nmra.Access{Operation: nmra.Verify, CV: 29, Value: 6}

func TestABoardThatIsStartingIsWaitedForInSilence(t *testing.T) {
	l := conversation(t,
		says(link.Hello), says(link.Hello), says(link.Hello), says(link.Hello), // its loader hears these
		says(link.Hello, with(aBoard)), says(link.State, with(isOff)))
	l.then(1700*time.Millisecond, func() { l.say(link.Started, 0, link.StartedEvent{}) })
	b, err := New(l, "")
	if err != nil {
		t.Fatal(err)
	}
	l.done()
	if b.Firmware() != 1 || l.now > 2*time.Second {
		t.Errorf("firmware %d, found after %v", b.Firmware(), l.now)
	}
	if quiet := l.at[4] - l.at[3]; quiet < time.Second {
		t.Errorf("it said hello again after %v", quiet)
	}
}

func TestWhereNoBoardAnswersTheErrorSaysWhatToSeeTo(t *testing.T) {
	var hellos []turn
	for range (greetings + 1) * tries {
		hellos = append(hellos, says(link.Hello))
	}
	l := conversation(t, hellos...)
	_, err := New(l, "/dev/test")
	if !errors.Is(err, station.ErrLost) {
		t.Fatal(err)
	}
	for _, want := range []string{"/dev/test", "plugged in", "port", "fettle station load"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q does not name %q", err, want)
		}
	}
	l.done()
	if l.now > 10*time.Second {
		t.Errorf("it took %v", l.now)
	}
}

func TestABoardThatMakesNoSenseIsRefused(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*link.HelloAnswer)
		want   string
	}{
		"another link":       {func(h *link.HelloAnswer) { h.Link = link.Version + 1 }, "fettle station load"},
		"no limit":           {func(h *link.HelloAnswer) { h.ProgrammingLimit = 0 }, "can't be"},
		"no limit, running":  {func(h *link.HelloAnswer) { h.RunningLimit = 0 }, "can't be"},
		"no limit of shorts": {func(h *link.HelloAnswer) { h.ShortLimit = 0 }, "can't be"},
		"nine gates":         {func(h *link.HelloAnswer) { h.Gates = 9 }, "can't be"},
		"too long a train":   {func(h *link.HelloAnswer) { h.MaxTrain = link.MaxPayload + 1 }, "can't be"},
		"too short a train":  {func(h *link.HelloAnswer) { h.MaxTrain = 30 }, "can't be"},
		"hardly any silence": {func(h *link.HelloAnswer) { h.SilenceMS = 300 }, "can't be"},
	} {
		h := aBoard
		c.change(&h)
		_, err := New(conversation(t, says(link.Hello, with(h))), "")
		if !errors.Is(err, station.ErrStation) || errors.Is(err, station.ErrLost) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestATrackThatWasLeftOnIsTurnedOffFirst(t *testing.T) {
	l := conversation(t, says(link.Hello, with(aBoard)), says(link.State, with(isRunning)), says(link.Off, with(isOff)))
	if _, err := New(l, ""); err != nil {
		t.Fatal(err)
	}
	l.done()
}

func TestARequestIsSentAgainWithItsNumberAndDoneOnce(t *testing.T) {
	b, l := live(t,
		says(link.Train), says(link.Train), says(link.Train, with(played)),
		says(link.Train, with(played)))
	for range 2 {
		if _, err := b.Service(t.Context(), verify); err != nil {
			t.Fatal(err)
		}
	}
	l.done()
	var numbers []uint8
	for _, f := range l.heard {
		if f.Type == link.Train {
			numbers = append(numbers, f.Number)
		}
	}
	// 40 is On, by the Next of the hello
	if want := []uint8{41, 42, 42, 42, 43}; string(numbers) != string(want) {
		t.Errorf("trains %v, want %v", numbers, want)
	}
}

func TestABoardThatDoesNotAnswerIsLostForGood(t *testing.T) {
	b, l := live(t, says(link.Train), says(link.Train), says(link.Train), says(link.Train))
	before := l.now
	_, err := b.Service(t.Context(), verify)
	if !errors.Is(err, station.ErrLost) || !errors.Is(err, station.ErrStation) {
		t.Fatal(err)
	}
	l.done()
	if took := l.now - before; took > 2*time.Second {
		t.Errorf("given up after %v", took)
	}
	heard := len(l.heard)
	if _, again := b.Service(t.Context(), verify); !errors.Is(again, station.ErrLost) || len(l.heard) != heard {
		t.Errorf("then %v, and %v was said", again, l.heard[heard:])
	}
	// It is told to turn its track off all the same.
	if err := b.Close(); !errors.Is(err, station.ErrLost) || l.count(link.Off) == 0 || l.open {
		t.Errorf("closing: %v; told %d times; open: %v", err, l.count(link.Off), l.open)
	}
}

func TestABoardThatIsUnpluggedIsLost(t *testing.T) {
	b, l := live(t)
	l.out = errCable
	if _, err := b.Service(t.Context(), verify); !errors.Is(err, station.ErrLost) || !errors.Is(err, errCable) {
		t.Error(err)
	}
	if err := b.PowerOff(t.Context()); !errors.Is(err, station.ErrLost) {
		t.Errorf("power off: %v, though nobody was told", err)
	}
	if err := b.Close(); err != nil {
		t.Errorf("closing it: %v", err)
	}
	if _, err := New(&talk{t: t, out: errCable}, ""); !errors.Is(err, station.ErrLost) || !errors.Is(err, errCable) {
		t.Error(err)
	}
}

func TestABoardThatHasStartedAnewWithItsTrackOnIsLost(t *testing.T) {
	for name, turns := range map[string][]turn{
		"it says so":                  {says(link.Train, unasked(link.NewFrame(link.Started, 0, link.StartedEvent{Watchdog: 1})))},
		"it counts anew":              {says(link.Train, refuses(link.ReasonNumber, 0))},
		"it refuses for what it is":   {says(link.Train, refuses(link.ReasonTrackOff, 7))},
		"its track is off for naught": {says(link.Train, refuses(link.ReasonTrackOff, 42)), says(link.State, with(isOff))},
		"and in the midst of a train": {says(link.Train, with(notWhole)), says(link.State, with(isOff))},
	} {
		t.Run(name, func(t *testing.T) {
			b, l := live(t, append(turns, says(link.Off, with(isOff)))...)
			if _, err := b.Service(t.Context(), verify); !errors.Is(err, station.ErrLost) || !strings.Contains(err.Error(), "started anew") {
				t.Error(err)
			}
			if _, err := b.PowerOn(t.Context()); !errors.Is(err, station.ErrLost) {
				t.Errorf("power on: %v", err)
			}
			if err := b.Close(); err != nil {
				t.Error(err)
			}
			l.done()
		})
	}
}

func TestABoardThatStartsAnewWithItsTrackOffIsGreetedBeforeItIsTurnedOn(t *testing.T) {
	anew := aBoard
	anew.Next = 3
	b, l := opened(t, says(link.Hello, with(anew)), says(link.On, with(isProgramming)), says(link.Train, with(played)))
	l.say(link.Started, 0, link.StartedEvent{})
	if _, err := b.PowerOn(t.Context()); err != nil {
		t.Fatal(err)
	}
	l.done()
	if last := l.heard[len(l.heard)-1]; last.Number != 4 {
		t.Errorf("%v, want number 4", last)
	}
}

func TestRefusalsSayWhy(t *testing.T) {
	for reason, words := range reasons {
		if reason == link.ReasonNumber || reason == link.ReasonTrackOff {
			continue // these say that the board has started anew, or cut
		}
		b, l := live(t, says(link.Train, refuses(reason, 42)))
		_, err := b.Service(t.Context(), verify)
		if !errors.Is(err, station.ErrStation) || errors.Is(err, station.ErrLost) || !strings.Contains(err.Error(), words) {
			t.Errorf("reason %d: %v", reason, err)
		}
		l.done()
	}
	b, _ := live(t, says(link.Train, refuses(77, 42)))
	if _, err := b.Service(t.Context(), verify); !errors.Is(err, station.ErrStation) || !strings.Contains(err.Error(), "77") {
		t.Error(err)
	}
	b, _ = opened(t, says(link.On, refuses(link.ReasonLimit, 40)))
	if _, err := b.PowerOn(t.Context()); !errors.Is(err, station.ErrStation) || !strings.Contains(err.Error(), "built in") {
		t.Error(err)
	}
}

func TestAnswersThatCannotBeAreErrorsOfTheStation(t *testing.T) {
	access := func(b *Board) error { _, err := b.Service(t.Context(), verify); return err }
	on := func(b *Board) error { _, err := b.PowerOn(t.Context()); return err }
	for name, c := range map[string]struct {
		open func(testing.TB, ...turn) (*Board, *talk)
		do   func(*Board) error
		turn []turn
	}{
		"an unknown flag":            {live, access, []turn{says(link.Train, with(link.TrainAnswer{Flags: 4 | link.FlagWhole}))}},
		"an unknown track":           {live, access, []turn{says(link.Train, with(notWhole)), says(link.State, with(link.StateAnswer{Track: 3}))}},
		"an unknown cause":           {live, access, []turn{says(link.Train, with(notWhole)), says(link.State, with(isCut(9, 0)))}},
		"half a train, and still on": {live, access, []turn{says(link.Train, with(notWhole)), says(link.State, with(isProgramming))}},
		"the other track":            {live, access, []turn{says(link.Train, with(notWhole)), says(link.State, with(isRunning))}},
		"on as the other track":      {opened, on, []turn{says(link.On, with(isRunning))}},
		"on as nothing known":        {opened, on, []turn{says(link.On, with(link.StateAnswer{Track: 200}))}},
		"on and off":                 {opened, on, []turn{says(link.On, with(isOff))}},
		"off and on":                 {live, func(b *Board) error { return b.PowerOff(t.Context()) }, []turn{says(link.Off, with(isProgramming))}},
	} {
		b, l := c.open(t, c.turn...)
		if err := c.do(b); !errors.Is(err, station.ErrStation) || errors.Is(err, station.ErrLost) {
			t.Errorf("%s: %v", name, err)
		}
		l.done()
	}
}

func TestAnAccessIsDoneWholeOrNotBegun(t *testing.T) {
	b, l := live(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	heard := len(l.heard)
	if _, err := b.Service(ctx, verify); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	if err := b.Send(ctx, idle, 1); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	if len(l.heard) != heard {
		t.Errorf("%v was said", l.heard[heard:])
	}
	// One that is cancelled while it is on the track is done to its end.
	ctx, cancel = context.WithCancel(t.Context())
	l.turns = []turn{says(link.Train, func(f link.Frame) link.Frame { cancel(); return with(played)(f) })}
	if answer, err := b.Service(ctx, verify); err != nil || answer.Airtime != 150*time.Millisecond {
		t.Errorf("%+v, %v", answer, err)
	}
}

func TestPowerOffAndCloseCutThePowerWhateverTheContextSays(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	b, l := live(t, says(link.Off, with(isOff)))
	if err := b.PowerOff(ctx); err != nil {
		t.Error(err)
	}
	l.done()
	if err := b.PowerOff(ctx); err != nil || l.count(link.Off) != 1 {
		t.Errorf("a second time: %v, said %d times", err, l.count(link.Off))
	}
	b, l = live(t, says(link.Off, with(isOff)))
	if err := b.Close(); err != nil || l.open {
		t.Errorf("%v, open: %v", err, l.open)
	}
	l.done()
	for range 2 {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	}
	if _, err := b.PowerOn(t.Context()); !errors.Is(err, station.ErrStation) {
		t.Errorf("after closing: %v", err)
	}
	// An On whose answer is lost may have been done.
	b, l = opened(t, says(link.On), says(link.On), says(link.On), says(link.On), says(link.Off, with(isOff)))
	if _, err := b.PowerOn(t.Context()); !errors.Is(err, station.ErrLost) {
		t.Error(err)
	}
	if err := b.Close(); err != nil {
		t.Error(err)
	}
	l.done()
}
