package serve

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/sirupsen/logrus"

	"fettle/nmra"
	"fettle/nmra/cv/regtoml"
	"fettle/station"
)

// job is the work at hand. There is one at a time, and only its goroutine uses the station.
type job struct {
	ctx    context.Context
	cancel context.CancelCauseFunc
}

// anew gives a job that was stopped another context, with which it goes on.
func (s *Server) anew(j *job) {
	s.mu.Lock()
	defer s.mu.Unlock()
	j.ctx, j.cancel = context.WithCancelCause(s.ctx)
	if s.closed {
		j.cancel(errClosed)
	}
}

// begin begins work, where there is none. The lock is held. However the work ends, the track is then off, or State.Trouble says that it may be
// on.
func (s *Server) begin(doing string, work func(*job) error) {
	j := &job{}
	j.ctx, j.cancel = context.WithCancelCause(s.ctx)
	s.job = j
	s.state.Doing, s.state.Done, s.state.Of = doing, 0, 0
	s.said()
	s.alive.Add(1)
	go func() {
		defer s.alive.Done()
		err := s.guarded(j, work)
		off := s.off()
		s.mu.Lock()
		defer s.mu.Unlock()
		why := context.Cause(j.ctx)
		j.cancel(nil)
		s.job, s.waiting = nil, nil
		s.state.Doing, s.state.Done, s.state.Of, s.state.Trouble = "", 0, 0, ""
		switch {
		case off != nil:
			s.state.Trouble = sentence(off)
		case atOnce(why) && !errors.Is(err, errExplained):
			s.state.Trouble = sentence(why)
		case err != nil:
			s.state.Trouble = sentence(err)
		}
		if s.state.Trouble != "" {
			logrus.WithFields(logrus.Fields{"doing": doing, "error": s.state.Trouble}).Warn("stopped")
		}
		s.said()
	}()
}

// errExplained is wrapped by an error that says what a stop has left.
var errExplained = errors.New("stopped")

// guarded makes an error of a panic, so that the track goes off.
func (s *Server) guarded(j *job, work func(*job) error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("a mistake of this program has stopped the work: %v", p)
			logrus.WithError(err).Error("panic")
		}
	}()
	return work(j)
}

// How the track is turned off. Our own choice.
const (
	offTime  = 5 * time.Second
	offTries = 3
)

// off turns the track off, whatever became of the work.
func (s *Server) off() (err error) {
	var power station.Power = s.main
	if s.track != nil {
		power = s.track
	}
	ctx, cancel := context.WithTimeout(context.Background(), offTime)
	defer cancel()
	for range offTries {
		if err = s.guarded(nil, func(*job) error { return power.PowerOff(ctx) }); err == nil {
			s.powered(Off)
			return nil
		}
	}
	return fmt.Errorf("turning the track off: %w; it may still be on: switch it off by hand, at once", err)
}

// powered says which track has power.
func (s *Server) powered(t Track) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.state.Track != t {
		s.state.Track = t
		s.said()
	}
}

// progress says how far the work at hand has come.
func (s *Server) progress(doing string, done, of int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.state.Doing, s.state.Done, s.state.Of = doing, done, of
	s.said()
}

// change changes what is to be seen.
func (s *Server) change(do func(*State)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	do(&s.state)
	s.said()
}

// service is the programming track as work uses it: it is known when it is on, and once the work was stopped it takes nothing more.
type service struct {
	station.ProgrammingTrack
	server *Server
	job    *job
}

// serviceReader is a service whose station reads whole registers by itself.
type serviceReader struct {
	service
	reader station.Reader
}

// programming gives the programming track to a job.
func (s *Server) programming(j *job) station.ProgrammingTrack {
	if reader, ok := s.track.(station.Reader); ok {
		return serviceReader{service{s.track, s, j}, reader}
	}
	return service{s.track, s, j}
}

func (t service) PowerOn(ctx context.Context) (station.Draw, error) {
	if err := t.stopped(); err != nil {
		return station.Draw{}, err
	}
	t.server.powered(Programming)
	return t.ProgrammingTrack.PowerOn(ctx)
}

func (t service) PowerOff(ctx context.Context) error {
	err := t.ProgrammingTrack.PowerOff(ctx)
	if err == nil {
		t.server.powered(Off)
	}
	return err
}

func (t service) Service(ctx context.Context, a nmra.Access) (station.Answer, error) {
	if err := t.stopped(); err != nil {
		return station.Answer{}, err
	}
	return t.ProgrammingTrack.Service(ctx, a)
}

func (t serviceReader) Read(ctx context.Context, mode nmra.Mode, cv nmra.CV) (uint8, station.Answer, error) {
	if err := t.stopped(); err != nil {
		return 0, station.Answer{}, err
	}
	return t.reader.Read(ctx, mode, cv)
}

// stopped is why the job may do nothing more, whatever context it uses.
func (t service) stopped() error {
	if err := context.Cause(t.job.ctx); atOnce(err) {
		return err
	}
	return nil
}

// mainTrack is the main track as work uses it: it is known when it is on.
type mainTrack struct {
	station.Main
	server *Server
}

func (t mainTrack) PowerOn(ctx context.Context) (station.Draw, error) {
	t.server.powered(Main)
	return t.Main.PowerOn(ctx)
}

func (t mainTrack) PowerOff(ctx context.Context) error {
	err := t.Main.PowerOff(ctx)
	if err == nil {
		t.server.powered(Off)
	}
	return err
}

// mainLayout is a layout likewise.
type mainLayout struct {
	station.Layout
	server *Server
}

func (t mainLayout) PowerOn(ctx context.Context) (station.Draw, error) {
	return mainTrack{t.Layout, t.server}.PowerOn(ctx)
}

func (t mainLayout) PowerOff(ctx context.Context) error {
	return mainTrack{t.Layout, t.server}.PowerOff(ctx)
}

// sentence makes a sentence of an error. Where a file is refused it names the place of each mistake.
func sentence(err error) string {
	text := err.Error()
	if wrong, ok := errors.AsType[*regtoml.Errors](err); ok {
		text = wrong.Error()
	}
	text = strings.Replace(text, ": "+station.ErrStation.Error(), "", 1)
	first, n := utf8.DecodeRuneInString(text)
	text = string(unicode.ToUpper(first)) + text[n:]
	if !strings.HasSuffix(text, ".") {
		text += "."
	}
	return text
}
