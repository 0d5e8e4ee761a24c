package serve

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"time"

	"github.com/sirupsen/logrus"
)

// Limits of an order. Our own choice.
const (
	mostText  = 64 << 10 // of a register set
	mostWords = 2000     // of anything else
	mostMM    = 100_000
	mostS     = 3600
)

var actions = []Action{Beat, Stop, TakeSeat, LeaveSeat, Identify, ReadSome, PlanSet, ApplySet, ResumeBatch, UndoBatch, OpenTrial, AgreeToMove,
	DriveRun, SayOutcome, PassMark, NoteRun, UndoRun, CloseTrial}

// parseOrder reads an order. It refuses what no page of ours would send.
func parseOrder(data []byte) (o Order, err error) {
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&o); err != nil {
		return Order{}, fmt.Errorf("order: %w", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return Order{}, errors.New("order: found more than one, want one a message")
	}
	number := func(x, most float64) bool { return x >= 0 && x <= most && !math.IsNaN(x) }
	switch {
	case o.ID < 1:
		err = fmt.Errorf("found id %d, want one above 0", o.ID)
	case !slices.Contains(actions, o.Do):
		err = errors.New("found an action that is none of ours")
	case len(o.Text) > mostText:
		err = fmt.Errorf("found a text of %d bytes, want at most %d", len(o.Text), mostText)
	case max(len(o.Registers), len(o.File), len(o.Outcome), len(o.Note)) > mostWords:
		err = fmt.Errorf("found words of more than %d bytes", mostWords)
	case !number(o.StopMM, mostMM):
		err = fmt.Errorf("found a stop at %g mm, want 0 to %d", o.StopMM, mostMM)
	case !number(o.StopS, mostS):
		err = fmt.Errorf("found a stop after %g s, want 0 to %d", o.StopS, mostS)
	}
	if err != nil {
		return Order{}, fmt.Errorf("order: %w", err)
	}
	return o, nil
}

// take does an order of a window, or begins it, and answers.
func (s *Server) take(w *window, o Order) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return
	}
	if s.windows.by[w.id] != w { // another connection has its place, and this one may only do what any may
		if o.Do == Stop {
			s.stopAll(errStopped)
		}
		return
	}
	if s.windows.driver == w.id {
		s.heardDriver()
	}
	switch o.Do {
	case Beat:
		s.answer(w.id, Answer{ID: o.ID}, false)
		return
	case Stop:
		s.stopAll(errStopped)
		s.answer(w.id, Answer{ID: o.ID}, false)
		logrus.Warn("emergency stop")
		return
	}
	if i := slices.IndexFunc(w.done, func(a *Answer) bool { return a.ID == o.ID }); i >= 0 {
		s.answer(w.id, *w.done[i], false)
		return
	}
	if slices.Contains(w.asked, o.ID) {
		return // it is answered when it is done
	}
	if o.ID < w.last && o.Do != NoteRun {
		s.answer(w.id, Answer{ID: o.ID, Refused: "This came too late: look at what has happened since, and ask again."}, false)
		return
	}
	w.last = max(w.last, o.ID)
	logrus.WithField("do", o.Do).Info("order")
	id := w.id
	answered := false
	reply := func(a Answer) { // with the lock held
		if !answered {
			answered, a.ID = true, o.ID
			s.answer(id, a, true)
		}
	}
	w.asked = append(w.asked, o.ID)
	s.do(id, o, reply)
}

// do does an order, or begins it. The lock is held. reply is called once, now or later, with the lock held.
func (s *Server) do(id string, o Order, reply func(Answer)) {
	refuse := func(why string) { reply(Answer{Refused: why}) }
	switch {
	case o.Do == TakeSeat && s.windows.driver != "" && s.windows.driver != id:
		refuse("Another window drives. It can be taken over a minute after that one is gone.")
		return
	case o.Do == TakeSeat:
		s.windows.driver = id
		s.heardDriver()
		s.said()
		reply(Answer{})
		return
	case s.windows.driver != id:
		refuse("This window only watches: take the controls first.")
		return
	}
	switch o.Do {
	case LeaveSeat:
		if s.live() {
			refuse("The track is on: wait, or stop first.")
			return
		}
		s.windows.driver = ""
		s.said()
		reply(Answer{})
	case Identify, ReadSome, PlanSet, ApplySet, ResumeBatch, UndoBatch:
		s.onTrack(o, reply)
	default:
		s.ofTrial(o, reply)
	}
}

// onTrack does an order to the programming track.
func (s *Server) onTrack(o Order, reply func(Answer)) {
	refuse := func(why string) { reply(Answer{Refused: why}) }
	switch {
	case s.track == nil:
		refuse("This station has no programming track.")
		return
	case s.running != nil:
		refuse("A trial is open: leave it first.")
		return
	case s.job != nil:
		refuse("The bench is busy: wait until that is done.")
		return
	}
	switch o.Do {
	case Identify:
		s.begin("finding out what is on the track", s.identify)
		reply(Answer{})
	case ReadSome:
		registers, err := parseRegisters(o.Registers)
		if err != nil {
			refuse(sentence(err))
			return
		}
		s.begin("reading", func(j *job) error { return s.read(j, registers) })
		reply(Answer{})
	case PlanSet:
		s.begin("reading what the set is about to change", func(j *job) error { return s.plan(j, o, reply) })
	case ApplySet:
		if s.batch == nil || s.state.Batch.Phase != batchPlanned {
			refuse("There is no plan: choose a set first.")
			return
		}
		s.begin("applying the set", s.apply)
		reply(Answer{})
	case ResumeBatch:
		if s.batch == nil || s.state.Batch.Phase != batchStopped {
			refuse("No batch was stopped: there is nothing to go on with.")
			return
		}
		s.begin("going on with the batch", s.resume)
		reply(Answer{})
	case UndoBatch:
		if s.batch == nil || s.batch.journal == "" {
			refuse("Nothing was written: there is nothing to undo.")
			return
		}
		s.begin("putting back what was before", s.undo)
		reply(Answer{})
	}
}

// ofTrial does an order of a trial.
func (s *Server) ofTrial(o Order, reply func(Answer)) {
	refuse := func(why string) { reply(Answer{Refused: why}) }
	if o.Do == OpenTrial {
		switch {
		case s.main == nil:
			refuse("This station has no main track to drive on.")
		case s.job != nil:
			refuse("The bench is busy: wait until that is done.")
		case s.running != nil:
			refuse("A trial is open: leave it first.")
		default:
			s.begin("", func(*job) error { return s.openTrial(o.File, reply) })
		}
		return
	}
	if s.running == nil {
		refuse("No trial is open.")
		return
	}
	phase := s.state.Trial.Phase
	switch o.Do {
	case CloseTrial:
		s.closeTrial(reply)
		return
	case AgreeToMove:
		if phase != Agreeing || s.job != nil {
			refuse("There is nothing to agree to now.")
			return
		}
		s.begin("", s.drive)
		reply(Answer{})
		return
	case UndoRun:
		if phase == Finished && s.job == nil {
			s.begin("", func(*job) error { return s.undoLast(reply) })
			return
		}
	}
	at := 0
	if r := s.state.Trial.Run; r != nil {
		at = r.Number
	}
	if o.Run != at {
		refuse(fmt.Sprintf("This is about run %d, and run %d is at hand.", o.Run, at))
		return
	}
	if s.waiting == nil || !slices.Contains(s.waiting.takes, o.Do) {
		refuse("This is not the time for it: look at what the bench waits for.")
		return
	}
	s.waiting.take(o, time.Now(), reply)
}
