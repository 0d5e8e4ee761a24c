package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"fettle/prog"
	"fettle/prog/journal"
	"fettle/station"
)

// newJournal is the journal of a batch on the decoder of this visit. name begins the name of its file.
func (v *visit) newJournal(ctx context.Context, name, batch, title string) (*journal.Journal, error) {
	d, err := v.Decoder(ctx)
	if err != nil {
		return nil, err
	}
	j := journal.New(v.folder, name, journal.Header{Batch: batch, Title: title, When: time.Now(), Station: v.station.Station})
	j.For(d)
	return j, nil
}

// batch plans and does a batch, keeping it in a new journal.
func (v *visit) batch(ctx context.Context, j *journal.Journal, plan func() (prog.Plan, error)) (prog.Batch, error) {
	v.recorder.Begin(j, false)
	p, err := plan()
	if err != nil {
		return prog.Batch{}, v.unplanned(ctx, err)
	}
	return v.carryOut(ctx, p, journal.Proven)
}

// carryOut does a plan, and ends the journal with how, or with not proven.
func (v *visit) carryOut(ctx context.Context, p prog.Plan, how string) (prog.Batch, error) {
	b, err := p.Apply(ctx, v.Session)
	switch {
	case err != nil && !v.recorder.Wrote:
		return b, v.unplanned(ctx, err)
	case err != nil:
		return b, v.halfway(err, true)
	}
	if !v.recorder.Planned && !v.recorder.Reopened {
		return b, v.recorder.Discard() // there was nothing to write: a page was turned to at most, and put back
	}
	if err := v.recorder.Found(b.Found()); err != nil {
		return b, v.halfway(err, true)
	}
	if !b.Good() {
		how = journal.NotProven
	}
	return b, v.recorder.End(how)
}

// unplanned ends a batch of which nothing has been written yet, but perhaps the choice of an index page.
func (v *visit) unplanned(ctx context.Context, err error) error {
	if restoring := v.Restore(context.WithoutCancel(ctx)); restoring != nil {
		return v.halfway(err, false)
	}
	err = fmt.Errorf("%w; %s", v.said(err), v.untouched())
	return errors.Join(err, v.recorder.Discard())
}

// halfway is the failure of a batch that was stopped: why, and how to go on, where it was planned, or back. Where nothing was
// written yet, that is all there is to say.
func (v *visit) halfway(err error, planned bool) error {
	why := v.said(err)
	if v.recorder.Path() == "" || !v.recorder.Wrote && !v.recorder.Turned {
		return errors.Join(fmt.Errorf("%w; nothing was written", why), v.recorder.Discard())
	}
	if by, ok := errors.AsType[interrupted](why); ok {
		why = errors.New(by.name())
	}
	why = fmt.Errorf("stopped half-way: %w%s", why, v.advice(planned))
	return failure{statusHalfway(err), errors.Join(why, v.recorder.Close())}
}

// statusHalfway is the status of what was stopped half-way: a station that can't be reached any more is for its owner to mend before
// anything is gone on with.
func statusHalfway(err error) status {
	if errors.Is(err, station.ErrLost) {
		return stationFailed
	}
	return stopped
}

// advice says, a line each, where the journal is, what chose the index page before, how to go on where there is a plan, and how to go back.
func (v *visit) advice(planned bool) string {
	path := v.recorder.Path()
	advice := "\njournal:     " + path
	if !planned {
		if home := v.recorder.Home(); home != "" {
			advice += "\nbefore:      " + home
		}
	}
	if planned {
		advice += fmt.Sprintf("\nto go on:    fettle apply --resume %s%s", shellWord(path), v.flags)
	}
	return advice + fmt.Sprintf("\nto go back:  fettle undo %s%s", shellWord(path), v.flags)
}
