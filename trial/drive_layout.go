package trial

import (
	"context"
	"errors"
	"fmt"
	"time"

	"fettle/station"
)

// How a run on a layout is looked at. Our own choice.
const (
	look     = 20 * time.Millisecond
	rested   = time.Second      // standing for so long is at rest
	starting = 20 * time.Second // a vehicle that has not moved by then does not
	longest  = time.Hour        // of a run

	unbraked = 0.9 // of its entry speed, or faster: it has not braked
	coasting = 0.5 // likewise, steady and faster: it has braked, and is not on its way to a stop
	steady   = 0.97

	passing station.Millimetres = 300 // a stretch in which a speed is measured to find steps
)

// lay builds the section of the trial; for a trial of speed, a stretch of plain track.
func (d *driver) lay(layout station.Layout) error {
	s := d.trial.Section
	if d.trial.ofSpeed() {
		s = plainTrack(max(d.trial.Speed.Between, d.trial.Speed.Lap))
	}
	if err := layout.Lay(s); err != nil {
		return fmt.Errorf("laying the section: %w", err)
	}
	return nil
}

func plainTrack(length station.Millimetres) station.Section {
	return station.Section{Length: length, Room: length}
}

// FindSteps measures some steps on a layout, which moves the vehicle, and gives each run that is not made and has only a wanted speed its step.
// Errors: those of [SetSteps]; a vehicle that does not move ([Stands]); those of the station and the context.
func FindSteps(ctx context.Context, layout station.Layout, t Trial, runs []Run) ([]Run, error) {
	d := driver{main: layout, trial: t, runs: runs}
	if err := d.check(true); err != nil {
		return nil, fmt.Errorf("finding the steps of %s: %w", t.Vehicle.Name, err)
	}
	return d.findSteps(ctx, layout)
}

func (d *driver) findSteps(ctx context.Context, layout station.Layout) ([]Run, error) {
	var measured []Run
	for _, lead := range []station.Lead{station.Front, station.Rear} {
		wants := false
		for _, r := range d.runs {
			wants = wants || !r.Made && r.Step == 0 && r.Lead == lead
		}
		if !wants {
			continue
		}
		if err := layout.Lay(plainTrack(passing)); err != nil {
			return nil, fmt.Errorf("laying a stretch to find steps on: %w", err)
		}
		top := int(d.trial.Vehicle.Steps.Top())
		for eighth := 8; eighth > 0; eighth-- {
			r, err := d.timed(ctx, layout, Run{Lead: lead, Step: uint8(top * eighth / 8)}, passing)
			if err != nil {
				return nil, fmt.Errorf("finding the speed of step %d, %v leading: %w", r.Step, lead, err)
			}
			if r.Speed == 0 && eighth == 8 {
				return nil, fmt.Errorf("finding the speed of step %d, %v leading: %w", r.Step, lead, Stands{layout.Look().Past})
			}
			r.Made = true
			measured = append(measured, r)
		}
	}
	if len(measured) == 0 {
		return d.runs, nil
	}
	return SetSteps(d.runs, measured, d.trial.Vehicle.Steps)
}

// seen makes a run on a layout.
func (d *driver) seen(ctx context.Context, layout station.Layout, r Run) (Run, error) {
	if d.trial.ofSpeed() {
		return d.timed(ctx, layout, r, max(d.trial.Speed.Between, d.trial.Speed.Lap))
	}
	if err := layout.Place(r.Lead, r.Way); err != nil {
		return r, fmt.Errorf("placing the vehicle: %w", err)
	}
	e := entry{driver: d, run: r}
	err := d.powered(ctx, r, func() (bool, error) {
		err := d.follow(ctx, layout, e.over)
		if err == nil {
			err = e.passings(ctx)
		}
		return e.run.Outcome != Overran, err
	})
	return e.run, err
}

// follow looks at the vehicle until a run is over, or will never be.
func (d *driver) follow(ctx context.Context, layout station.Layout, over func(last, now station.View) bool) error {
	last := layout.Look()
	began, moved := last.At, last.At
	for {
		if err := layout.Wait(ctx, look); err != nil {
			return fmt.Errorf("looking on: %w", err)
		}
		now := layout.Look()
		if now.Speed > 0 {
			moved = now.At
		}
		if over(last, now) {
			return nil
		}
		if now.At-moved > starting {
			return Stands{now.Past}
		}
		if now.At-began > longest {
			return fmt.Errorf("after %v it is still on its way, %v past the trigger", longest, now.Past)
		}
		if now.At <= last.At {
			return fmt.Errorf("looking on: no time has passed at the station: %w", station.ErrStation)
		}
		last = now
	}
}

// Stands is the error of a vehicle that does not come to where it is wanted.
type Stands struct{ Past station.Millimetres }

func (s Stands) Error() string {
	return fmt.Sprintf("it stands %v before the section: is its address right, and the step high enough for it to move?", -s.Past)
}

// timed measures the speed of a run over a length from where it enters. One that does not move has no speed, and a note.
func (d *driver) timed(ctx context.Context, layout station.Layout, r Run, length station.Millimetres) (Run, error) {
	if err := layout.Place(r.Lead, station.With); err != nil {
		return r, fmt.Errorf("placing the vehicle: %w", err)
	}
	var from time.Duration
	err := d.powered(ctx, r, func() (bool, error) {
		return true, d.follow(ctx, layout, func(last, now station.View) bool {
			if last.Past < 0 && now.Past >= 0 {
				from = when(last, now, 0)
			}
			if now.Past < length {
				return false
			}
			r.Speed = tenth(station.MillimetresPerSecond(float64(length) / (when(last, now, length) - from).Seconds()))
			return true
		})
	})
	var stands Stands
	if errors.As(err, &stands) && ctx.Err() == nil && !errors.Is(err, station.ErrStation) {
		r.Note = "it does not move at this step"
		return r, nil
	}
	return r, err
}

// when is when the vehicle passed a place, between two looks.
func when(last, now station.View, place station.Millimetres) time.Duration {
	if now.Past <= last.Past {
		return now.At
	}
	share := float64((place - last.Past) / (now.Past - last.Past))
	return last.At + time.Duration(share*float64(now.At-last.At))
}

// entry is a run into a section while it is looked at.
type entry struct {
	*driver
	run      Run
	entered  bool
	trigger  time.Duration
	speed    station.MillimetresPerSecond // on entry
	slowest  station.MillimetresPerSecond
	recently []station.MillimetresPerSecond // since it entered
	stood    time.Duration                  // since when it stands; 0: it moves
	farthest station.Millimetres
}

// over says whether the run is over, and then what became of it.
func (e *entry) over(last, now station.View) bool {
	e.farthest = max(e.farthest, now.Past)
	if !e.entered {
		if now.Past < 0 {
			return false
		}
		e.entered, e.trigger = true, when(last, now, 0)
		e.speed, e.slowest = max(last.Speed, now.Speed), now.Speed
		e.run.Speed = tenth(e.speed)
	}
	e.slowest = min(e.slowest, now.Speed)
	e.recently = append(e.recently, now.Speed)
	s := e.trial.Section
	room, end := s.Length, s.Length
	if e.run.Way == station.With {
		room, end = e.trial.room(), max(s.Length, e.trial.room())
	}
	if now.Speed > 0 {
		e.stood = 0
	} else if e.stood == 0 {
		e.stood = now.At
	}
	braked := float64(e.slowest) < unbraked*float64(e.speed)
	switch {
	case now.Speed == 0 && now.At-e.stood < rested:
		return false
	case now.Speed == 0 && now.Past <= room:
		e.run.Outcome, e.run.Stop = Stopped, max(tenth(now.Past), 0.1)
		e.run.Time = (e.stood - e.trigger).Round(time.Millisecond)
		if !now.Lights {
			e.run.Note = "its lights were out: it stopped without contact, not for the section"
		}
		return true
	case now.Past < room || !braked && now.Past < end && now.Speed > 0:
		return false
	}
	e.run.Outcome = e.passed(now, braked)
	return true
}

// passed is the outcome of a run that was not at rest by the end of its room. One that goes on at a steady speed has slowed; but a crawl may
// be on its way to a stop farther on, so that it has overrun.
func (e *entry) passed(now station.View, braked bool) Outcome {
	const ago = int(500 * time.Millisecond / look)
	before := e.recently[max(len(e.recently)-1-ago, 0)]
	switch {
	case !braked:
		return Ignored
	case e.run.Way == station.Against, float64(now.Speed) >= max(steady*float64(before), coasting*float64(e.speed)):
		return Slowed
	}
	return Overran
}

// passings takes the gates that the vehicle has passed, counted from the trigger, and its entry speed from the last two before that.
func (e *entry) passings(ctx context.Context) error {
	gates, ok := e.main.(station.Gates)
	if !ok {
		return nil
	}
	stand := e.trial.Section.Gates
	wanted := 0
	for _, g := range stand {
		if e.along(g) <= e.farthest-1 { // what is nearer than that may not have closed yet
			wanted++
		}
	}
	var edges []station.GateEdge
	for closed := map[int]bool{}; len(closed) < wanted; {
		edge, err := gates.Gate(ctx)
		if err != nil {
			return fmt.Errorf("asking for gates: %w", err)
		}
		if edge.Closed && !closed[edge.Gate] {
			closed[edge.Gate] = true
			edges = append(edges, edge)
		}
	}
	e.run = e.withGates(e.run, edges, e.trigger, true)
	return nil
}

// along is how far past where a run enters a gate stands.
func (e *entry) along(g station.Millimetres) station.Millimetres { return along(e.trial, e.run, g) }

func along(t Trial, r Run, g station.Millimetres) station.Millimetres {
	if r.Way == station.Against {
		return t.Section.Length - g
	}
	return g
}

// withGates adds to a run when it closed its gates, first of all by its leading end. Where the trigger is not known, it is where a gate stands there,
// or where the two gates before it say; else the times are worth nothing.
func (d *driver) withGates(r Run, edges []station.GateEdge, trigger time.Duration, known bool) Run {
	stand := d.trial.Section.Gates
	var before []Passing // along the run, on the station's clock
	for _, edge := range edges {
		if edge.Gate < 1 || edge.Gate > len(stand) {
			continue
		}
		if at := along(d.trial, r, stand[edge.Gate-1]); at <= 0 {
			before = append(before, Passing{at, edge.At})
		}
	}
	if n := len(before); n > 0 {
		last := before[n-1]
		if n > 1 && last.Time > before[n-2].Time && last.At > before[n-2].At {
			v := float64(last.At-before[n-2].At) / (last.Time - before[n-2].Time).Seconds()
			r.Speed = tenth(station.MillimetresPerSecond(v))
			if !known {
				trigger, known = last.Time+time.Duration(float64(-last.At)/v*1e9), true
			}
		}
		if last.At == 0 && !known {
			trigger, known = last.Time, true
		}
	}
	if !known {
		return r
	}
	for _, edge := range edges {
		if edge.Gate < 1 || edge.Gate > len(stand) {
			continue
		}
		p := Passing{stand[edge.Gate-1], (edge.At - trigger).Round(time.Millisecond)}
		if at := along(d.trial, r, p.At); at < 0 && p.Time >= 0 || at > 0 && p.Time <= 0 {
			continue // so close to the trigger that its time can't be told from it
		}
		if n := len(r.Gates); n == 0 || p.Time > r.Gates[n-1].Time {
			r.Gates = append(r.Gates, p)
		}
	}
	return r
}
