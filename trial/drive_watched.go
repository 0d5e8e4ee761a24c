package trial

import (
	"context"
	"errors"
	"fmt"
	"time"

	"fettle/station"
)

// watched makes a run that a person watches.
func (d *driver) watched(ctx context.Context, r Run) (Run, error) {
	if err := d.witness.Place(ctx, r); err != nil {
		return r, err
	}
	gates, err := d.listen(ctx)
	if err != nil {
		return r, err
	}
	switch {
	case d.trial.ofSpeed() && d.trial.Speed.Lap > 0:
		r, err = d.lap(ctx, r)
	case d.trial.ofSpeed():
		r, err = d.between(ctx, r, gates)
	default:
		err = d.powered(ctx, r, func() (bool, error) {
			return d.attend(ctx, r, gates, nil, func(ctx context.Context) (err error) {
				r.Outcome, err = d.witness.Watch(ctx, r)
				return err
			}, func() bool { return r.Outcome == Stopped })
		})
		r = d.withGates(r, gates.edges, 0, false)
	}
	if err != nil {
		return r, err
	}
	return d.witness.Note(ctx, r)
}

// lap measures a speed from a lap that the person times.
func (d *driver) lap(ctx context.Context, r Run) (Run, error) {
	var from, to time.Duration
	err := d.powered(ctx, r, func() (bool, error) {
		return d.attend(ctx, r, &gateLog{}, nil, func(ctx context.Context) (err error) {
			if from, err = d.witness.Lap(ctx); err != nil {
				return err
			}
			to, err = d.witness.Lap(ctx)
			return err
		}, func() bool { return true })
	})
	if err != nil {
		return r, err
	}
	if to <= from {
		return r, fmt.Errorf("timing a lap: it took %v: want a key at each passing of the mark", to-from)
	}
	r.Speed = tenth(station.MillimetresPerSecond(float64(d.trial.Speed.Lap) / (to - from).Seconds()))
	return r, nil
}

// between measures a speed between two gates. Whatever the person says meanwhile halts it.
func (d *driver) between(ctx context.Context, r Run, gates *gateLog) (Run, error) {
	both := make(chan struct{})
	gates.enough(2, both)
	err := d.powered(ctx, r, func() (bool, error) {
		return d.attend(ctx, r, gates, both, func(ctx context.Context) error {
			if _, err := d.witness.Watch(ctx, r); err != nil {
				return err
			}
			return ErrHalt
		}, func() bool { return true })
	})
	if err != nil {
		return r, err
	}
	took := gates.edges[1].At - gates.edges[0].At
	if took <= 0 {
		return r, fmt.Errorf("timing between two gates: %v passed on the station's clock: %w", took, station.ErrStation)
	}
	r.Speed = tenth(station.MillimetresPerSecond(float64(d.trial.Speed.Between) / took.Seconds()))
	return r, nil
}

// attend keeps the speed of a run up until the person has said what there is to say, or reached is closed. gently says then whether an
// ordinary stop will do.
func (d *driver) attend(ctx context.Context, r Run, gates *gateLog, reached <-chan struct{}, person func(context.Context) error, gently func() bool) (
	ends bool, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	said, failed := make(chan error, 1), make(chan error, 1)
	d.others.Go(func() { said <- guarded(func() error { return person(ctx) }) })
	if gates.from != nil {
		d.others.Go(func() {
			if err := guarded(func() error { return gates.take(ctx) }); err != nil && ctx.Err() == nil {
				failed <- err
			}
		})
	}
	again := time.NewTicker(keepUp)
	defer again.Stop()
	for {
		select {
		case <-reached:
			return gently(), nil
		case err := <-said:
			if err != nil {
				return false, err
			}
			return gently(), nil
		case err := <-failed:
			return false, err
		case <-ctx.Done():
			return false, ctx.Err()
		case <-again.C:
			if err := d.speed(ctx, r); err != nil {
				return false, err
			}
		}
	}
}

// guarded makes an error of a panic, so that the one who keeps the track on hears of it and turns it off.
func guarded(do func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("panic: %v", p)
		}
	}()
	return do()
}

// gateLog is the first time that each gate closed in a run. from is nil where the station has no gates that are of use.
type gateLog struct {
	from    station.Gates
	edges   []station.GateEdge
	want    int
	reached chan<- struct{}
}

// listen begins a log: what waits since the run before, or was made by a hand that placed the vehicle, is left out.
func (d *driver) listen(ctx context.Context) (*gateLog, error) {
	gates, ok := d.main.(station.Gates)
	if !ok || !d.trial.ofSpeed() && len(d.trial.Section.Gates) == 0 || d.trial.Speed.Lap > 0 {
		return &gateLog{}, nil
	}
	const waiting = 100 * time.Millisecond
	brief, cancel := context.WithTimeout(ctx, waiting)
	defer cancel()
	for {
		_, err := gates.Gate(brief)
		switch {
		case ctx.Err() != nil:
			return nil, ctx.Err()
		case errors.Is(err, context.DeadlineExceeded):
			return &gateLog{from: gates}, nil
		case err != nil:
			return nil, fmt.Errorf("asking for gates: %w", err)
		}
	}
}

// enough has reached closed once so many gates have closed.
func (g *gateLog) enough(n int, reached chan<- struct{}) { g.want, g.reached = n, reached }

// take takes what the gates say until the context ends.
func (g *gateLog) take(ctx context.Context) error {
	closed := map[int]bool{}
	for {
		edge, err := g.from.Gate(ctx)
		if err != nil {
			return fmt.Errorf("asking for gates: %w", err)
		}
		if !edge.Closed || closed[edge.Gate] {
			continue
		}
		closed[edge.Gate] = true
		g.edges = append(g.edges, edge)
		if len(g.edges) == g.want {
			close(g.reached)
			return nil
		}
	}
}
