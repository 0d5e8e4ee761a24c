// Package tryout proves the abilities of a station one by one, first with nothing on its track and then with a decoder on it, and says in
// plain words what to do where one fails.
//
// Start with [Try]. What is asked of a station follows from what it implements: station.Power, station.ProgrammingTrack, station.Main,
// station.Gates, and station.Checker for checks of its own. A [Person] has to put things on the track and to take them off; whenever it is
// asked to, the track is off. Nothing is written to the decoder.
//
// checks.go lists the checks in their order; those of an empty track are in empty.go, those with a decoder in decoder.go, with the words
// for what can be wrong.
package tryout

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"fettle/station"
)

// State is what came of a check.
type State uint8

const (
	NotTried State = iota
	Yes            // it is as it has to be
	No             // it is not
)

// String is the state in words: "not tried", "yes", "no".
func (s State) String() string {
	switch s {
	case Yes:
		return "yes"
	case No:
		return "no"
	}
	return "not tried"
}

// Result is what came of one check.
type Result struct {
	Name  string
	Scene station.Scene
	State State
	Saw   string // what was seen, in words; may be empty
	Do    string // No: what is wrong and what to do about it. NotTried: why
}

// Person sees to it that the track is as a scene wants it.
type Person interface {
	// Prepare is called while the track is off: before each scene, and in station.HandAtGate before each check, during which the track
	// stays off. nil says that all is as the stage wants it, and that whoever is at the track knows that its power may come on now.
	// With [ErrNotPrepared] what follows is left out; any other error ends it all.
	Prepare(ctx context.Context, stage Stage) error
}

// Stage is what a [Person] has to prepare.
type Stage struct {
	Scene station.Scene
	Check string // in station.HandAtGate, the check at hand
	Doubt string // a check without power that said no: the power is to come on only if the person wants it all the same
}

// ErrNotPrepared is what a [Person] returns that can't set a scene, or will not. What wraps it says why.
var ErrNotPrepared = errors.New("the track was not made ready for it")

// Try proves what a station is able to do, and tells of each check as it ends. An ability that is not as it has to be is a result, and no
// error. After an overload, or where the empty track was not as it should be, the power does not come on any more. Errors: the context's,
// the person's, and [station.ErrLost] where the station went; the checks that were left are told as not tried then.
func Try(ctx context.Context, s station.Station, p Person, told func(Result)) error {
	t := &tryout{station: s, person: p, told: told}
	t.power, _ = s.(station.Power)
	checks := t.checks()
	for scene := station.PowerOff; scene <= station.HandAtGate; scene++ {
		t.play(ctx, scene, slices.DeleteFunc(slices.Clone(checks), func(c check) bool { return c.Scene != scene }))
	}
	return t.err
}

// check is one ability, to be proven.
type check struct {
	station.Check
	vital   bool   // with a No nothing more is tried with the power on
	omitted string // why it is not tried, whatever is on the track
}

// tryout is one trying out of a station.
type tryout struct {
	station station.Station
	power   station.Power // nil: it switches none
	person  Person
	told    func(Result)
	rest    station.Draw // with the decoder
	decoder decoder
	unsafe  string // the check after which the power does not come on
	doubt   string // the one after which a person has to want it
	err     error  // it has ended
}

// left says why a scene is left out; "" where it is not.
func (t *tryout) left(scene station.Scene) string {
	switch {
	case t.err != nil && errors.Is(t.err, station.ErrLost):
		return "the station can't be reached any more"
	case t.err != nil:
		return "it was ended before"
	case t.unsafe != "" && powered(scene):
		return "its power stays off until this is put right: " + t.unsafe
	}
	return ""
}

// powered says whether the track is on in a scene. It is not while a hand is at a gate.
func powered(scene station.Scene) bool {
	return scene == station.EmptyTrack || scene == station.WithDecoder
}

// play does the checks of one scene, and leaves the track off.
func (t *tryout) play(ctx context.Context, scene station.Scene, checks []check) {
	declined := ""
	if scene != station.HandAtGate && t.left(scene) == "" && slices.ContainsFunc(checks, func(c check) bool { return c.omitted == "" }) {
		declined = t.prepare(ctx, Stage{Scene: scene, Doubt: t.doubt})
	}
	tried := false
	for _, c := range checks {
		why := cmp.Or(c.omitted, t.left(scene), declined)
		if why == "" && scene == station.HandAtGate {
			why = t.prepare(ctx, Stage{Scene: scene, Check: c.Name})
		}
		if why != "" {
			t.told(Result{Name: c.Name, Scene: scene, Do: why})
			continue
		}
		tried = true
		t.told(t.run(ctx, c))
	}
	if tried && t.power != nil && scene != station.HandAtGate {
		t.powerOff(ctx, scene)
	}
}

// prepare has the person set a scene. It says why there is none; "" where there is.
func (t *tryout) prepare(ctx context.Context, stage Stage) (declined string) {
	err := t.person.Prepare(ctx, stage)
	switch {
	case err == nil:
		return ""
	case errors.Is(err, ErrNotPrepared):
		return err.Error()
	}
	t.err = err
	return t.left(stage.Scene)
}

// run does one check, and sees what follows from it for those after it.
func (t *tryout) run(ctx context.Context, c check) Result {
	saw, err := c.Run(ctx)
	r := Result{Name: c.Name, Scene: c.Scene, State: Yes, Saw: saw}
	if err == nil {
		return r
	}
	var why notTried
	var overload station.Overload
	switch {
	case errors.As(err, &why):
		r.State, r.Do = NotTried, string(why)
		return r
	case ctx.Err() != nil:
		t.err = ctx.Err()
		r.State, r.Do = NotTried, t.left(c.Scene)
		return r
	case errors.Is(err, station.ErrLost):
		t.err = err
	case errors.As(err, &overload), c.vital:
		t.unsafe = c.Name
	case c.Scene == station.PowerOff:
		t.doubt = c.Name
	}
	r.State, r.Do = No, t.words(err)
	return r
}

// powerOff turns the track off, whatever the context says. Only where that fails there is something to tell.
func (t *tryout) powerOff(ctx context.Context, scene station.Scene) {
	if err := t.power.PowerOff(context.WithoutCancel(ctx)); err != nil && !errors.Is(t.err, station.ErrLost) {
		t.err = errors.Join(t.err, err)
		t.told(Result{Name: "power off", Scene: scene, State: No, Do: t.words(err)})
	}
}

// words are what a person is told of an error: without the name of the station, which stands above it all, and without what the State says.
func (t *tryout) words(err error) string {
	text := strings.TrimPrefix(err.Error(), t.station.Describe().String()+": ")
	text = strings.ReplaceAll(text, ": "+station.ErrLost.Error(), "")
	text = strings.ReplaceAll(text, ": "+station.ErrStation.Error(), "")
	var overload station.Overload
	switch {
	case errors.As(err, &overload):
		// NMRA S-9.2.3 (July 2012), section D.
		text += ". Take off what is on the track, and do not try it again as it is: look for a short between rails, wheels and the motor's wires"
	case errors.Is(err, station.ErrLost):
		text += ". Where nothing ever came back: see that the station is switched on, that this is its port (fettle station list), and that its speed " +
			"is the one that it is set to"
	}
	return text
}

// notTried is the error of a check that could not be tried, and says why.
type notTried string

func (n notTried) Error() string { return string(n) }

func count(n, of int) string { return fmt.Sprintf("%d of %d times", n, of) }
