package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"fettle/nmra/cv/regtoml"
	"fettle/station"
	"fettle/trial"
)

// trackside is the person beside the track, as a trial asks one. On the bench nobody is asked.
type trackside struct {
	*keyboard
	trial    trial.Trial
	sees     bool // the station sees by itself what becomes of a run
	byHand   bool // runs are made without the tool
	yes      bool // the vehicle may move, and what is in doubt is kept
	tell     func(format string, args ...any) error
	progress func(doing string, done, of int)
	of       int
	now      func() time.Time
}

const cautions = `Caution, common practice, no source: keep hands, tools and loose clothes off the track. Take every other vehicle off the
section and what follows it. See that what runs on past the signal can't fall or hit anything. Stay beside the track with a
hand on the switch that cuts its power, and let no child reach for what moves. Every vehicle on this track may move.`

// errNotAgreed is the error of a vehicle that is not to move.
var errNotAgreed = errors.New("nothing has moved: it was not agreed to")

// Agree says what is going to move, and on a real station asks.
func (p *trackside) Agree(ctx context.Context, what string) error {
	if p.sees {
		return p.tell("%s\n\n", what)
	}
	fmt.Fprintln(p.out, wrapped(what, screenWidth, "")+"\n\n"+flowed(cautions))
	if p.yes {
		return nil
	}
	word, err := p.line(ctx, "\nyes when it may move: ")
	if err == nil && word != "yes" {
		err = failure{stopped, errNotAgreed}
	}
	return err
}

// Place asks for the vehicle to be put down.
func (p *trackside) Place(ctx context.Context, r trial.Run) error {
	fmt.Fprintf(p.out, "\nrun %d: %s\n", r.Number, p.inWords(r))
	question := "The track is off. Put it down at rest, at least 1 m before the section. Enter when hands are clear, u to undo the run before, q to leave: "
	if p.byHand {
		question = "Enter when it is over or ready to be timed, u to undo the run before, q to leave: "
	}
	for {
		word, err := p.line(ctx, "%s", question)
		switch {
		case err != nil:
			return err
		case word == "":
			p.forget()
			return nil
		case word == "u":
			return trial.ErrUndo
		case word == "q":
			return trial.ErrLeave
		}
		fmt.Fprintf(p.out, "found %q, want Enter, u or q\n", word)
	}
}

// inWords is what a run is.
func (p *trackside) inWords(r trial.Run) string {
	text := r.Lead.String() + " leading"
	if !p.ofSpeed() {
		text += fmt.Sprintf(", %v the section", r.Way)
	}
	if r.Step > 0 {
		text += fmt.Sprintf(", step %d", r.Step)
	}
	if r.Speed > 0 {
		text += fmt.Sprintf(", about %v (%s to scale)", r.Speed, scaleSpeed(r.Speed, p.trial.Vehicle.Scale))
	}
	return text
}

func (p *trackside) ofSpeed() bool { return len(p.trial.Speed.Steps) > 0 }

var outcomeKeys = map[byte]trial.Outcome{'s': trial.Stopped, 'o': trial.Overran, 'l': trial.Slowed, 'i': trial.Ignored}

// Watch takes the key of the outcome. While the tool drives, every other key is an emergency stop.
func (p *trackside) Watch(ctx context.Context, _ trial.Run) (trial.Outcome, error) {
	if p.ofSpeed() {
		_, err := p.key(ctx, "It moves. Any key is an emergency stop: ")
		if err == nil {
			err = trial.ErrHalt
		}
		return 0, err
	}
	question := "It moves. s stopped, o overran, l slowed, i ignored; any other key is an emergency stop: "
	if p.byHand {
		question = "s stopped, o overran, l slowed, i ignored; u to undo the run before, q to leave: "
	}
	for {
		key, err := p.key(ctx, "%s", question)
		if err != nil {
			return 0, err
		}
		outcome, ok := outcomeKeys[key]
		switch {
		case ok:
			fmt.Fprintln(p.out, outcome)
			return outcome, nil
		case p.byHand && key == 'u':
			return 0, trial.ErrUndo
		case p.byHand && key == 'q':
			return 0, trial.ErrLeave
		case !p.byHand:
			fmt.Fprintln(p.out, "emergency stop: this run does not count")
			return 0, trial.ErrHalt
		}
		fmt.Fprintf(p.out, "found %q, want s, o, l, i, u or q\n", string(rune(key)))
	}
}

// Lap takes a key as the vehicle passes its mark.
func (p *trackside) Lap(ctx context.Context) (time.Duration, error) {
	key, err := p.key(ctx, "Space as it passes the mark; any other key is an emergency stop: ")
	if err != nil {
		return 0, err
	}
	if key != ' ' && key != '\r' {
		return 0, trial.ErrHalt
	}
	return time.Duration(p.now().UnixNano()), nil
}

// Note asks what else was seen, until it holds as a line of a file of runs does.
func (p *trackside) Note(ctx context.Context, r trial.Run) (trial.Run, error) {
	for {
		noted, err := p.fields(ctx, r)
		if err != nil {
			return r, err
		}
		noted.Made = true
		_, doubts, err := trial.ParseRuns("run", trial.AppendRuns(nil, []trial.Run{noted}), p.trial)
		if err != nil {
			text := err.Error()
			if wrong, ok := errors.AsType[*regtoml.Errors](err); ok {
				text = wrong.List[0].Text // where it stands in a file says nothing here
			}
			fmt.Fprintln(p.out, wrapped(text, screenWidth, "  "))
			continue
		}
		kept := true
		for _, d := range doubts {
			fmt.Fprintln(p.out, wrapped("Doubt: "+d.Words, screenWidth, "  "))
			kept = false
		}
		if !kept && !p.yes {
			word, err := p.line(ctx, "yes to keep it so, anything else to enter it again: ")
			if err != nil {
				return r, err
			}
			kept = word == "yes"
		}
		if kept || p.yes {
			return noted, nil
		}
	}
}

func (p *trackside) fields(ctx context.Context, r trial.Run) (_ trial.Run, err error) {
	number := func(to *float64, optional bool, question string) {
		if err == nil {
			*to, err = p.number(ctx, optional, question)
		}
	}
	if p.byHand && r.Step == 0 {
		var step float64
		number(&step, true, fmt.Sprintf("Step that was set, 1 to %d, Enter if not known: ", p.trial.Vehicle.Steps.Top()))
		if err == nil && (step > float64(p.trial.Vehicle.Steps.Top()) || step != math.Trunc(step)) {
			fmt.Fprintf(p.out, "found step %g, want a whole number from 1 to %d; once more\n", step, p.trial.Vehicle.Steps.Top())
			return r, trial.ErrHalt
		}
		r.Step = uint8(step)
	}
	switch s := p.trial.Speed; {
	case p.ofSpeed() && p.byHand:
		length := max(s.Between, s.Lap)
		var took float64
		number(&took, false, fmt.Sprintf("Seconds for the %v: ", length))
		if err == nil {
			r.Speed = station.MillimetresPerSecond(math.Round(float64(length)/took*10) / 10)
		}
	case !p.ofSpeed():
		if r.Outcome == trial.Stopped {
			var stop, took float64
			number(&stop, false, "Where it stopped, in mm past the trigger: ")
			number(&took, true, "Seconds from the trigger to standstill, Enter if not taken: ")
			r.Stop, r.Time = station.Millimetres(stop), time.Duration(took*float64(time.Second))
		}
		if p.byHand {
			var speed float64
			number(&speed, true, fmt.Sprintf("Entry speed in mm/s, Enter if %s: ", usual(r)))
			if speed > 0 {
				r.Speed = station.MillimetresPerSecond(speed)
			}
		}
	}
	if err == nil {
		r.Note, err = p.line(ctx, "A note, as lights out or wheels slipped, Enter for none: ")
	}
	return r, err
}

func usual(r trial.Run) string {
	if r.Speed > 0 {
		return "as planned, " + r.Speed.String()
	}
	return "not known"
}

// number asks for a number above 0, with a decimal point or comma, until there is one. It is 0 where an optional one is left out.
func (p *trackside) number(ctx context.Context, optional bool, question string) (float64, error) {
	for {
		text, err := p.line(ctx, "%s", question)
		if err != nil || text == "" && optional {
			return 0, err
		}
		switch text {
		case "u":
			return 0, trial.ErrHalt
		case "q":
			return 0, trial.ErrLeave
		}
		if x, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64); err == nil && x >= 0.001 && x <= 1e6 {
			return x, nil
		}
		fmt.Fprintf(p.out, "found %q, want a number, as 1402.5; u to do this run again, q to leave\n", text)
	}
}

// Made says how much is left.
func (p *trackside) Made(_ trial.Run, left int) {
	p.progress("runs", p.of-left, p.of)
	if !p.sees {
		fmt.Fprintf(p.out, "saved; %s left\n", count(left, "run"))
	}
}
