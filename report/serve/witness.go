package serve

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"fettle/nmra/cv/regtoml"
	"fettle/station"
	"fettle/trial"
)

// witness is the person beside the track, whose words come from the window that drives.
type witness struct {
	server  *Server
	job     *job
	running *running
	bench   *paced // nil: the vehicle is a real one, or the bench sees for itself
}

// waiting is what work waits to be told. It is told once.
type waiting struct {
	takes []Action
	take  func(o Order, at time.Time, reply func(Answer)) // with the lock held; what it takes in, it sends to the one who waits
}

// word is what a witness is told.
type word struct {
	order Order
	at    time.Time
	run   trial.Run // of NoteRun
	reply func(Answer)
}

// wait shows a run in a phase, and waits for one of the orders that are wanted. check says what is wrong with one, and may add to it.
func (w *witness) wait(ctx context.Context, show func(*Running), check func(*word) *Answer, takes ...Action) (word, error) {
	s := w.server
	told := make(chan word, 1)
	waits := &waiting{takes: takes}
	waits.take = func(o Order, at time.Time, reply func(Answer)) {
		said := word{order: o, at: at, reply: reply}
		if check != nil {
			if a := check(&said); a != nil {
				reply(*a)
				return
			}
		}
		s.waiting = nil
		if o.Do != NoteRun { // which is answered once it is saved
			reply(Answer{})
		}
		if o.Do == DriveRun { // from here on the track may be on
			s.trial(func(t *Running) { t.Phase = Moving })
			s.state.Trouble = ""
		}
		told <- said
	}
	s.mu.Lock()
	if s.running != w.running || ctx.Err() != nil {
		s.mu.Unlock()
		return word{}, trial.ErrLeave
	}
	s.waiting = waits
	if show != nil {
		s.trial(show)
	}
	s.mu.Unlock()
	defer func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.waiting == waits {
			s.waiting = nil
		}
	}()
	select {
	case said := <-told:
		return said, nil
	case <-ctx.Done():
		if errors.Is(context.Cause(ctx), trial.ErrLeave) {
			return word{}, trial.ErrLeave
		}
		return word{}, ctx.Err()
	}
}

// Agree was said before, to begin the work.
func (w *witness) Agree(context.Context, string) error { return nil }

// Place waits until the vehicle is put down; on the bench it puts it down.
func (w *witness) Place(ctx context.Context, r trial.Run) error {
	if w.bench != nil {
		if err := w.bench.place(r.Lead, r.Way); err != nil {
			return err
		}
	}
	said, err := w.wait(ctx, func(t *Running) {
		shown := w.running.shown(r)
		t.Phase, t.Run = Placing, &shown
		if w.bench != nil {
			v := w.bench.Look()
			t.View = &View{float64(v.Past), float64(v.Speed), v.Lights}
		}
	}, nil, DriveRun, UndoRun)
	if err == nil && said.order.Do == UndoRun {
		err = trial.ErrUndo
	}
	return err
}

var outcomes = map[string]trial.Outcome{"stopped": trial.Stopped, "overran": trial.Overran, "slowed": trial.Slowed, "ignored": trial.Ignored}

// Watch waits for the outcome of a run.
func (w *witness) Watch(ctx context.Context, _ trial.Run) (trial.Outcome, error) {
	if w.running.ofSpeed {
		<-ctx.Done() // the gates say it all
		return 0, ctx.Err()
	}
	said, err := w.wait(ctx, nil, func(said *word) *Answer {
		outcome, ok := outcomes[said.order.Outcome]
		if !ok {
			return &Answer{Refused: "Want an outcome: stopped, overran, slowed or ignored."}
		}
		if w.bench != nil {
			return w.tooSoon(outcome, w.bench.Look())
		}
		return nil
	}, SayOutcome)
	return outcomes[said.order.Outcome], err
}

// tooSoon refuses an outcome that can't be seen yet, since the bench knows where its vehicle is; nil where it can. Of a real vehicle nobody but
// the person knows.
func (w *witness) tooSoon(o trial.Outcome, v station.View) *Answer {
	s := w.running.book.Trial.Section
	switch {
	case o == trial.Stopped && v.Speed > 0:
		return &Answer{Refused: fmt.Sprintf("It still moves, at %.0f mm/s: wait until it stands. In an emergency, stop it.", float64(v.Speed))}
	case o == trial.Stopped && v.Past < 0:
		return &Answer{Refused: "It stands before the section: stop it, and drive it again."}
	case o != trial.Stopped && v.Speed > 0 && v.Past < min(s.Length, s.Room):
		return &Answer{Refused: fmt.Sprintf("It is still on its way through the section, %.0f mm in: wait until it is over.", max(0, float64(v.Past)))}
	}
	return nil
}

// Lap waits until the vehicle passes its mark. When that was is when the word came.
func (w *witness) Lap(ctx context.Context) (time.Duration, error) {
	said, err := w.wait(ctx, nil, nil, PassMark)
	return time.Duration(said.at.UnixNano()), err
}

// Note waits until it is said where the vehicle has stopped. On the bench it is known already.
func (w *witness) Note(ctx context.Context, r trial.Run) (trial.Run, error) {
	seen := r
	if w.bench != nil && r.Outcome == trial.Stopped {
		seen.Stop, seen.Time = w.bench.stopped()
	}
	said, err := w.wait(ctx, func(t *Running) {
		made := seen
		made.Made = true
		shown := w.running.shown(made)
		t.Phase, t.Run = Noting, &shown
	}, func(said *word) *Answer {
		if said.order.Do == UndoRun {
			return nil
		}
		var a *Answer
		said.run, a = w.noted(r, said.order)
		return a
	}, NoteRun, UndoRun)
	switch {
	case err != nil:
		return r, err
	case said.order.Do == UndoRun:
		return r, trial.ErrUndo
	}
	w.server.mu.Lock()
	w.running.saved = said.reply
	w.server.mu.Unlock()
	return said.run, nil
}

// noted is a run with what an order says of it. It has to hold as a line of a file of runs does; else the answer says why it does not.
func (w *witness) noted(r trial.Run, o Order) (trial.Run, *Answer) {
	if !w.running.ofSpeed && r.Outcome == trial.Stopped {
		if !(o.StopMM > 0) {
			return r, &Answer{Refused: "Say where it stopped, in mm past the trigger."}
		}
		r.Stop, r.Time = station.Millimetres(o.StopMM), time.Duration(math.Round(o.StopS*1000))*time.Millisecond
	}
	r.Note, r.Made = o.Note, true
	_, doubts, err := trial.ParseRuns("run", trial.AppendRuns(nil, []trial.Run{r}), w.running.book.Trial)
	if err != nil {
		if wrong, ok := errors.AsType[*regtoml.Errors](err); ok && len(wrong.List) > 0 {
			return r, &Answer{Refused: sentence(errors.New(wrong.List[0].Text))} // where it stands in a file says nothing here
		}
		return r, &Answer{Refused: sentence(err)}
	}
	if len(doubts) > 0 && !o.Sure {
		a := &Answer{}
		for _, d := range doubts {
			a.Doubts = append(a.Doubts, d.Words)
		}
		return r, a
	}
	return r, nil
}

// Made answers the note of a run that is saved.
func (w *witness) Made(_ trial.Run, left int) {
	s := w.server
	s.mu.Lock()
	defer s.mu.Unlock()
	if w.running.saved != nil {
		w.running.saved(Answer{})
		w.running.saved = nil
	}
	if s.running == w.running && w.running.ofSpeed && s.layout != nil {
		s.state.Doing, s.state.Of = "making the runs", len(w.running.book.Runs)
		s.state.Done = s.state.Of - left
		s.said()
	}
}
