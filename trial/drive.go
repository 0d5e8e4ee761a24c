package trial

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"fettle/nmra"
	"fettle/station"
)

// Times in which a run is driven. Our own choice.
const (
	keepUp   = 300 * time.Millisecond // between two packets with the speed
	offTime  = 5 * time.Second        // for the emergency stop and the power, whatever became of the run
	offTries = 3
)

// Drive makes the runs that are not made yet, one after the other, and gives them all to save after each. It says to the witness what is going
// to move before anything does. On a [station.Layout] it places the vehicle, measures the steps that wanted speeds need, and sees what
// becomes of each run; with any other station the witness does, and every run needs a step (see [SetSteps]).
//
// The track is on only during a run. On every error, on a panic and when the context ends, an emergency stop goes to the vehicle and to all
// others, and the track is turned off. Errors: a trial that does not say the address; [ErrLeave]; those of the station, the witness, save and the
// context. What was saved can be taken up with [Resume].
func Drive(ctx context.Context, main station.Main, w Witness, t Trial, runs []Run, save func([]Run) error) error {
	d := driver{main: main, witness: w, trial: t, runs: slices.Clone(runs), save: save}
	layout, sees := main.(station.Layout)
	if err := d.check(sees); err != nil {
		return fmt.Errorf("driving %s: %w", t.Vehicle.Name, err)
	}
	if d.left() == 0 {
		return nil
	}
	if err := w.Agree(ctx, d.moves()); err != nil {
		return err
	}
	once := d.watched
	if sees {
		once = func(ctx context.Context, r Run) (Run, error) { return d.seen(ctx, layout, r) }
		var err error
		if d.runs, err = d.findSteps(ctx, layout); err != nil {
			return err
		}
		if err := d.lay(layout); err != nil {
			return err
		}
	}
	return d.all(ctx, once)
}

// Record takes down runs that are made by hand, on a station that can't be driven: the witness watches each that is not made yet, and notes
// what it saw. They are all given to save after each, and nothing is sent to any station. Errors: [ErrLeave]; those of the witness, save and
// the context.
func Record(ctx context.Context, w Witness, t Trial, runs []Run, save func([]Run) error) error {
	d := driver{witness: w, trial: t, runs: slices.Clone(runs), save: save}
	return d.all(ctx, func(ctx context.Context, r Run) (Run, error) {
		if err := w.Place(ctx, r); err != nil {
			return r, err
		}
		if !t.ofSpeed() {
			var err error
			if r.Outcome, err = w.Watch(ctx, r); err != nil {
				return r, err
			}
		}
		return w.Note(ctx, r)
	})
}

type driver struct {
	main    station.Main
	witness Witness
	trial   Trial
	runs    []Run
	save    func([]Run) error
	others  sync.WaitGroup // who look on while the vehicle moves
}

// all makes the runs that are not made, each by once.
func (d *driver) all(ctx context.Context, once func(context.Context, Run) (Run, error)) error {
	for i := 0; i < len(d.runs); {
		if d.runs[i].Made {
			i++
			continue
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		r, err := once(ctx, d.runs[i])
		switch {
		case errors.Is(err, station.ErrStation):
			return fmt.Errorf("run %d, %s: %w", d.runs[i].Number, d.runs[i].asked(), err)
		case errors.Is(err, ErrHalt):
			continue
		case errors.Is(err, ErrUndo):
			before := i - 1
			for before >= 0 && !d.runs[before].Made {
				before--
			}
			if before < 0 {
				continue
			}
			i = before
			d.runs[i] = d.runs[i].unmade()
			if err := d.save(slices.Clone(d.runs)); err != nil {
				return err
			}
			continue
		case errors.Is(err, ErrLeave), ctx.Err() != nil && errors.Is(err, ctx.Err()):
			return err
		case err != nil:
			return fmt.Errorf("run %d, %s: %w", d.runs[i].Number, d.runs[i].asked(), err)
		}
		r.Made = true
		d.runs[i] = r
		if err := d.save(slices.Clone(d.runs)); err != nil {
			return err
		}
		d.witness.Made(r, d.left())
		i++
	}
	return nil
}

// unmade is a run as it was planned.
func (r Run) unmade() Run {
	return Run{Number: r.Number, Lead: r.Lead, Way: r.Way, Step: r.Step, Speed: r.Speed}
}

func (d *driver) left() (n int) {
	for _, r := range d.runs {
		if !r.Made {
			n++
		}
	}
	return n
}

// check sees that the runs can be driven at all.
func (d *driver) check(sees bool) error {
	t := d.trial
	if t.Vehicle.Address.Kind != nmra.Short && t.Vehicle.Address.Kind != nmra.Long {
		return errors.New("the trial file says no address, want address or long_address in [vehicle]")
	}
	_, gates := d.main.(station.Gates)
	if t.ofSpeed() && t.Speed.Lap == 0 && !gates && !sees {
		return errors.New("the station has no gates to time it between, want lap_mm in [speed] in place of between_mm")
	}
	for _, r := range d.runs {
		if !r.Made && r.Step == 0 && !sees {
			return fmt.Errorf("run %d wants %v, and which step gives that is not known: want the runs of a trial of speed, or steps in [wanted]", r.Number, r.Speed)
		}
		if r.Step > t.Vehicle.Steps.Top() {
			return fmt.Errorf("run %d has step %d, want at most %d", r.Number, r.Step, t.Vehicle.Steps.Top())
		}
	}
	return nil
}

// moves says what is going to move, and where.
func (d *driver) moves() string {
	t := d.trial
	where := fmt.Sprintf("into a section of %v with room for %v", t.Section.Length, t.Section.Room)
	if t.ofSpeed() {
		where = fmt.Sprintf("over %v", max(t.Speed.Between, t.Speed.Lap))
	}
	runs := "1 run"
	if n := d.left(); n > 1 {
		runs = fmt.Sprintf("%d runs", n)
	}
	if _, sees := d.main.(station.Layout); sees && slices.ContainsFunc(d.runs, func(r Run) bool { return !r.Made && r.Step == 0 }) {
		runs = "some passes that find the steps for its speeds, then " + runs
	}
	return fmt.Sprintf("%s, %v, is going to move: %s %s.", t.Vehicle.Name, t.Vehicle.Address, runs, where)
}

// powered turns the track on, sends the vehicle off at the step of a run, and turns the track off whatever becomes of it. ends says whether the run
// ended so that an ordinary stop will do; after an error there is always an emergency stop.
func (d *driver) powered(ctx context.Context, r Run, drive func() (ends bool, err error)) (err error) {
	gently := false
	defer func() {
		err = errors.Join(err, d.off(ctx, gently, r.Lead == station.Front))
		d.others.Wait() // only now: the track waits for nobody
	}()
	if _, err := d.main.PowerOn(ctx); err != nil {
		return fmt.Errorf("turning the track on: %w", err)
	}
	if err := d.lights(ctx); err != nil {
		return err
	}
	if err := d.speed(ctx, r); err != nil {
		return err
	}
	ends, err := drive()
	gently = ends && err == nil
	return err
}

// lights turns the vehicle's lights on: whether they stay on says that a stop was not one on dirt.
func (d *driver) lights(ctx context.Context) error {
	return d.send(ctx, nmra.Instruction{Kind: nmra.Functions, Address: d.trial.Vehicle.Address, Group: nmra.F0toF4, States: 1})
}

// speed sends the step of a run.
func (d *driver) speed(ctx context.Context, r Run) error {
	v := d.trial.Vehicle
	return d.send(ctx, nmra.Instruction{Kind: nmra.Speed, Address: v.Address, Steps: v.Steps, Step: r.Step,
		Forward: r.Lead == station.Front, Light: v.Steps == nmra.Steps14})
}

func (d *driver) send(ctx context.Context, i nmra.Instruction) error {
	p, err := i.Encode()
	if err == nil {
		err = d.main.Send(ctx, p, 2)
	}
	if err != nil {
		return fmt.Errorf("sending %v: %w", i, err)
	}
	return nil
}

// off stops the vehicle and turns the track off, also where the context has ended. That the power goes is what counts: an error is that
// it would not.
func (d *driver) off(ctx context.Context, gently, forward bool) (err error) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), offTime)
	defer cancel()
	v := d.trial.Vehicle
	send := func(i nmra.Instruction) error { return guarded(func() error { return d.send(ctx, i) }) } // a panic here must not keep the track on
	if gently {
		err = send(nmra.Instruction{Kind: nmra.Stop, Address: v.Address, Steps: v.Steps, Forward: forward, Light: v.Steps == nmra.Steps14})
	}
	if !gently || err != nil {
		stop := nmra.Instruction{Kind: nmra.EmergencyStop, Address: v.Address, Steps: v.Steps, Forward: forward, Light: v.Steps == nmra.Steps14}
		_ = send(stop)
		_ = send(nmra.Instruction{Kind: nmra.EmergencyStop, Steps: nmra.Steps28, Forward: forward, IgnoreDirection: true})
	}
	for range offTries {
		if err = guarded(func() error { return d.main.PowerOff(ctx) }); err == nil {
			return nil
		}
	}
	return fmt.Errorf("turning the track off: %w; it may still be on: switch it off by hand, at once", err)
}
