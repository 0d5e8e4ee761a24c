package serve

import (
	"errors"
	"time"

	"github.com/sirupsen/logrus"
)

// Why work is stopped at once.
var (
	errStopped = errors.New("emergency stop")
	errSilence = errors.New("nothing was heard from the window that drives, so the track was turned off")
)

// atOnce says whether work ended so that nothing more may go to the track but what stops.
func atOnce(err error) bool {
	return errors.Is(err, errStopped) || errors.Is(err, errSilence) || errors.Is(err, errClosed)
}

// stopAll stops what moves and turns the track off. It waits for nothing: the lock is held, and whoever uses the station hears of it by the end
// of its context. Where nothing is at hand the track is turned off once more: somebody else may have turned it on.
func (s *Server) stopAll(why error) {
	switch {
	case s.job == nil:
		s.begin("", func(*job) error { return errStopped }) // which ends with the track off
	case s.live():
		s.job.cancel(why)
	}
}

// live says whether the track is on, or may be at any moment, without another word of who drives. The lock is held.
func (s *Server) live() bool {
	if s.state.Track != Off {
		return true
	}
	if s.job == nil {
		return false
	}
	if s.running == nil {
		return true
	}
	switch s.state.Trial.Phase {
	case Placing, Noting, Finished:
		return false
	}
	return true
}

// heardDriver begins to count the silence of who drives anew. The lock is held.
func (s *Server) heardDriver() {
	if s.silence == nil {
		s.silence = time.AfterFunc(s.options.Silence, s.silent)
		return
	}
	s.silence.Reset(s.options.Silence)
}

// silent is called once who drives has been silent for too long.
func (s *Server) silent() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed || !s.live() {
		return // with the track off nothing is lost by silence, and it does not go on without a word
	}
	logrus.Warn("silence: the track goes off")
	if s.job == nil {
		s.begin("", func(*job) error { return errSilence })
		return
	}
	s.job.cancel(errSilence)
}
