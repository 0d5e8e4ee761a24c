package serve

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/sirupsen/logrus"

	"fettle/prog/regset"
	"fettle/report/chart"
	"fettle/station"
	"fettle/trial"
)

// mostShown is how many of the runs that are made a window is told, the last ones: thousands would be sent with every state.
const mostShown = 100

// running is what State.Trial is of. Only the work at hand changes it; all but book is guarded by the lock of the server.
type running struct {
	book    trial.Book
	file    string // of the runs
	sitting trial.Sitting
	ofSpeed bool
	saved   func(Answer) // answers the note that is being saved; nil: none is
}

// openTrial opens a trial of the folder, with the runs of it that are made.
func (s *Server) openTrial(file string, reply func(Answer)) error {
	r, err := s.readTrial(file)
	var found *chart.Braking
	if err == nil {
		found = r.judge(r.book)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err != nil {
		reply(Answer{Refused: sentence(err)})
		return nil
	}
	t := r.book.Trial
	shown := &Running{File: file, Title: t.Title, Vehicle: t.Vehicle.Name, OfSpeed: r.ofSpeed, Phase: Agreeing, Of: len(r.book.Runs), Runs: []Run{}, Doubts: []string{},
		Section: Section{LengthMM: float64(t.Section.Length), RoomMM: float64(t.Section.Room), StopMM: float64(t.Wanted.Stop),
			WithinMM: float64(t.Wanted.Within), GatesMM: []float64{}}}
	for _, g := range t.Section.Gates {
		shown.Section.GatesMM = append(shown.Section.GatesMM, float64(g))
	}
	for _, d := range append(t.Doubts(), r.book.Doubts...) {
		shown.Doubts = append(shown.Doubts, d.String())
	}
	s.running, s.state.Trial = r, shown
	s.showFound(found)
	s.showRuns()
	reply(Answer{})
	return nil
}

// readTrial reads a trial and its runs.
func (s *Server) readTrial(file string) (*running, error) {
	if err := s.look(); err != nil {
		return nil, err
	}
	s.mu.Lock()
	listed := slices.Contains(s.state.Trials, file)
	s.mu.Unlock()
	if !listed {
		return nil, errors.New("there is no such trial in the folder")
	}
	data, err := s.folder.read(file)
	if err != nil {
		return nil, err
	}
	t, err := trial.Parse(file, data)
	if err != nil {
		return nil, err
	}
	r := &running{file: s.folder.path(runsFile(file)), ofSpeed: len(t.Speed.Steps) > 0,
		sitting: trial.Sitting{When: time.Now(), Station: s.options.Station.Describe().String()}}
	r.book, err = trial.OpenBook(r.file, t)
	return r, err
}

// showRuns shows the runs of the book: what is made, and what there is to do. The lock is held.
func (s *Server) showRuns() {
	r := s.running
	shown := *s.state.Trial
	shown.Made, shown.Runs = r.book.Made(), []Run{}
	for _, run := range r.book.Runs {
		if run.Made {
			shown.Runs = append(shown.Runs, r.shown(run))
		}
	}
	shown.Runs = shown.Runs[max(0, len(shown.Runs)-mostShown):]
	if shown.Phase == Agreeing {
		shown.Run, shown.Moves = nil, r.moves(s.layout != nil)
	}
	if shown.Made == shown.Of {
		shown.Phase, shown.Run = Finished, nil
	}
	s.state.Trial = &shown
	s.said()
}

// judge is what the runs of a book show; nil where there is nothing to judge. It takes its time: the lock is not held.
func (r *running) judge(b trial.Book) *chart.Braking {
	if r.ofSpeed || b.Made() == 0 {
		return nil
	}
	return &chart.Braking{Trial: b.Trial, Runs: slices.Clone(b.Runs), Verdict: trial.Judge(b.Trial, b.Runs)}
}

// showFound shows what the runs show. The lock is held.
func (s *Server) showFound(found *chart.Braking) {
	s.trial(func(t *Running) {
		if found == nil {
			t.Verdict, t.Plot, t.PlotAlt = nil, "", ""
			return
		}
		t.Verdict, t.Plot = verdictOf(found.Verdict), s.plots.add(*found)
		t.PlotAlt = "Where the vehicle has stopped, run by run, against how fast it entered. " + found.Verdict.Sentence
	})
}

// moves says what is going to move, and where.
func (r *running) moves(bench bool) string {
	t, left := r.book.Trial, len(r.book.Runs)-r.book.Made()
	runs := "1 run"
	if left != 1 {
		runs = fmt.Sprintf("%d runs", left)
	}
	where := fmt.Sprintf("into a section of %v with room for %v", t.Section.Length, t.Section.Room)
	if r.ofSpeed {
		where = fmt.Sprintf("over %v", max(t.Speed.Between, t.Speed.Lap))
	}
	if bench && !r.ofSpeed && slices.ContainsFunc(r.book.Runs, stepless) {
		runs = "some passes that find the steps for its speeds, then " + runs
	}
	return fmt.Sprintf("%s, %v, is going to move: %s %s.", t.Vehicle.Name, t.Vehicle.Address, runs, where)
}

// stepless says of a run that is to be made that its step is not known.
func stepless(r trial.Run) bool { return !r.Made && r.Step == 0 }

// shown is a run as the page has it.
func (r *running) shown(run trial.Run) Run {
	shown := Run{Number: run.Number, Lead: run.Lead.String(), Way: run.Way.String(), Step: run.Step, SpeedMMS: float64(run.Speed), Words: r.words(run), Note: run.Note}
	if run.Made && !r.ofSpeed {
		shown.Outcome, shown.StopMM, shown.StopS = run.Outcome.String(), float64(run.Stop), run.Time.Seconds()
	}
	return shown
}

// words are all of a run: "front leading, with the section, step 12, about 160 mm/s (50 km/h to scale)".
func (r *running) words(run trial.Run) string {
	text := run.Lead.String() + " leading"
	if !r.ofSpeed {
		text += fmt.Sprintf(", %v the section", run.Way)
	}
	if run.Step > 0 {
		text += fmt.Sprintf(", step %d", run.Step)
	}
	if run.Speed > 0 {
		text += fmt.Sprintf(", about %v (%.0f km/h to scale)", run.Speed, float64(run.Speed)*r.book.Trial.Vehicle.Scale*3600/1e6)
	}
	return text
}

// trial changes what is to be seen of the trial. The lock is held.
func (s *Server) trial(change func(*Running)) {
	shown := *s.state.Trial
	change(&shown)
	s.state.Trial = &shown
	s.said()
}

// setTrial is trial, for those who do not hold the lock.
func (s *Server) setTrial(change func(*Running)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.trial(change)
}

// drive makes the runs that are not made. After a stop it goes on where it was, with the same run: with the track off until its driver sends
// it off again.
func (s *Server) drive(j *job) (err error) {
	s.mu.Lock()
	r := s.running
	s.mu.Unlock()
	defer func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.running == nil { // it was left
			return
		}
		if r.saved != nil {
			r.saved(Answer{Refused: "It could not be saved."})
			r.saved = nil
		}
		s.trial(func(t *Running) { t.Phase, t.Run, t.View = Agreeing, nil, nil })
		s.showRuns()
	}()
	for {
		var main station.Main
		if main, err = s.prepared(j.ctx, r); err == nil {
			w := &witness{server: s, job: j, running: r}
			if p, ok := main.(*paced); ok {
				defer p.stop()
				w.bench = p
			}
			err = trial.Drive(j.ctx, main, w, r.book.Trial, r.book.Runs, func(runs []trial.Run) error { return s.save(r, runs) })
		}
		why := context.Cause(j.ctx)
		s.mu.Lock()
		on, left := s.state.Track != Off, s.running == nil
		again := !left && !on && !r.ofSpeed && (errors.Is(why, errStopped) || errors.Is(why, errSilence)) && s.state.Trial.Run != nil
		if again {
			s.state.Trouble = sentence(why) + " That run does not count."
			s.said()
		}
		s.mu.Unlock()
		switch {
		case errors.Is(err, trial.ErrLeave) || left:
			return nil
		case !again:
			return err
		}
		logrus.WithError(why).Warn("a run was stopped")
		s.anew(j)
	}
}

// prepared is the main track that a trial is driven on, once each run has its step. On the bench a trial of speed gets the layout itself, which
// makes the runs alone.
func (s *Server) prepared(ctx context.Context, r *running) (station.Main, error) {
	t := r.book.Trial
	switch {
	case s.layout == nil:
		if slices.ContainsFunc(r.book.Runs, stepless) {
			s.mu.Lock()
			trials := s.state.Trials
			s.mu.Unlock()
			if measured, from := s.folder.speeds(trials, t.Vehicle); measured != nil {
				runs, err := trial.SetSteps(r.book.Runs, measured, t.Vehicle.Steps)
				if err != nil {
					return nil, fmt.Errorf("%s: %w", from, err)
				}
				s.setRuns(r, runs)
			}
		}
		main := mainTrack{s.main, s}
		if gates, ok := s.main.(station.Gates); ok {
			return struct {
				station.Main
				station.Gates
			}{main, gates}, nil
		}
		return main, nil
	case r.ofSpeed:
		s.setTrial(func(t *Running) { t.Phase = Alone })
		return mainLayout{s.layout, s}, nil
	}
	if slices.ContainsFunc(r.book.Runs, stepless) {
		s.setTrial(func(t *Running) { t.Phase = Alone })
		s.progress("finding the steps for the speeds that are wanted", 0, 0)
		runs, err := trial.FindSteps(ctx, mainLayout{s.layout, s}, t, r.book.Runs)
		if err != nil {
			return nil, err
		}
		s.setRuns(r, runs)
		s.progress("", 0, 0)
	}
	if err := s.layout.Lay(t.Section); err != nil {
		return nil, err
	}
	return newPaced(mainLayout{s.layout, s}, t.Section, s.options.Pace, func(v station.View) {
		s.setTrial(func(t *Running) {
			t.View = &View{PastMM: float64(v.Past), SpeedMMS: float64(v.Speed), Lights: v.Lights}
		})
	}), nil
}

// setRuns gives the book its runs.
func (s *Server) setRuns(r *running, runs []trial.Run) {
	s.mu.Lock()
	defer s.mu.Unlock()
	r.book.Runs = runs
}

// save saves the runs.
func (s *Server) save(r *running, runs []trial.Run) error {
	kept := r.book.Add(runs, r.sitting)
	if err := regset.WriteFile(r.file, kept.Append(nil)); err != nil {
		return err
	}
	found := r.judge(kept)
	s.mu.Lock()
	defer s.mu.Unlock()
	r.book = kept
	if s.running == r {
		s.showFound(found)
		s.showRuns()
	}
	return nil
}

// undoLast has the last run that was made not count, where all are made.
func (s *Server) undoLast(reply func(Answer)) error {
	s.mu.Lock()
	r := s.running
	s.mu.Unlock()
	runs := slices.Clone(r.book.Runs)
	last := runs[len(runs)-1]
	runs[len(runs)-1] = trial.Run{Number: last.Number, Lead: last.Lead, Way: last.Way, Step: last.Step, Speed: last.Speed}
	err := s.save(r, runs)
	s.mu.Lock()
	defer s.mu.Unlock()
	if err != nil {
		reply(Answer{Refused: sentence(err)})
		return nil
	}
	s.trial(func(t *Running) { t.Phase = Agreeing })
	s.showRuns()
	reply(Answer{})
	return nil
}

// closeTrial leaves the trial, with the track off. The lock is held.
func (s *Server) closeTrial(reply func(Answer)) {
	switch {
	case s.job == nil:
	case s.live():
		reply(Answer{Refused: "It may move: wait, or stop first."})
		return
	default:
		s.job.cancel(trial.ErrLeave)
	}
	s.running, s.waiting, s.state.Trial = nil, nil, nil
	s.said()
	reply(Answer{})
}
