// Package serve is the bench in a browser: a page for the telephone beside the track, to see what is on it, to read registers, to put a register
// set on a decoder, and to make the runs of a trial.
//
// [New] makes a [Server] of a station and a folder; its [Server.Handler] serves the page, and what goes between the two is in protocol.go. What
// the page can reach is that station, and in that folder register sets and trials by their names, journals and runs. One window drives,
// others watch; all can stop. While the track is on, who drives has to be heard: a silence longer than [Options].Silence turns it off.
//
// The map:
//
//   - guard.go lets in who may come in; live.go keeps the connection of a window, windows.go knows them and who drives.
//   - orders.go takes an order apart and says what becomes of it; stop.go is the emergency stop, and the silence that asks for one.
//   - work.go has the one goroutine that uses the station; decoder.go, batch.go and running.go are what it does,
//     and batch_words.go says what became of a batch.
//   - witness.go answers a trial in the name of the person beside the track; paced.go is the bench while a person looks on.
//   - folder.go finds what the folder has, plot.go draws.
//
// Everything that is known of the bench is one [State], guarded by one lock that nobody holds while anything is waited for: an
// emergency stop never waits behind work.
package serve

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/http"
	"os"
	"sync"
	"time"

	"fettle/prog"
	"fettle/station"
)

// Options say what is served, and to whom.
type Options struct {
	Station station.Station
	Folder  string        // of register sets, trials and journals; new journals and runs go there
	Silence time.Duration // after which the track goes off, 1 s to 60 s
	Hosts   []string      // that a request may be for, as its Host header has them; any other is refused
	Token   string        // that a browser has to show once; "" where only this machine can reach the server
	Pace    float64       // on the bench: how many times faster than life its time passes during a run; above 0, up to 1000
	Bound   float64       // the chance of a wrong value up to which a value counts as read; 0 is prog.DefaultBound
	Version string
}

// Server is a bench in a browser. Make one with [New].
type Server struct {
	options Options
	track   station.ProgrammingTrack // nil: it has none
	main    station.Main             // nil: likewise
	layout  station.Layout           // the same, where it is a bench that sees what its vehicle does
	folder  folder
	guard   *guard
	report  chan struct{} // holds one while a page of evidence is made

	ctx   context.Context // ends with Close
	end   context.CancelFunc
	alive sync.WaitGroup // windows, and the work at hand

	mu      sync.Mutex
	state   State // as a window sees it that only watches. What it points to is never changed, only replaced
	windows windows
	job     *job        // the work at hand; nil: none
	waiting *waiting    // what the work at hand waits to be told; nil: nothing
	batch   *batch      // what State.Batch is of
	running *running    // what State.Trial is of
	plots   plots       // of State.Trial
	silence *time.Timer // fires once who drives has been silent for too long
	closed  bool
	changes int // of state, so that a window is told each once
}

// Limits of Options.
const (
	leastSilence, mostSilence = time.Second, time.Minute
	mostPace                  = 1000.0
)

// New makes a server. Errors: a station that can be neither programmed nor driven; a folder that can't be read; options out of range.
func New(o Options) (*Server, error) {
	if o.Bound == 0 {
		o.Bound = prog.DefaultBound
	}
	switch {
	case o.Silence < leastSilence || o.Silence > mostSilence:
		return nil, fmt.Errorf("serving the bench: found a silence of %v, want %v to %v", o.Silence, leastSilence, mostSilence)
	case !(o.Pace > 0 && o.Pace <= mostPace):
		return nil, fmt.Errorf("serving the bench: found a pace of %v, want one above 0 and up to %v", o.Pace, mostPace)
	case len(o.Hosts) == 0:
		return nil, errors.New("serving the bench: found no host that a request may be for, want one at least")
	}
	s := &Server{options: o, report: make(chan struct{}, 1), windows: windows{by: map[string]*window{}}}
	d := o.Station.Describe()
	s.track, _ = o.Station.(station.ProgrammingTrack)
	s.main, _ = o.Station.(station.Main)
	if layout, ok := o.Station.(station.Layout); ok && d.Simulated {
		s.layout = layout
	}
	if s.track == nil && s.main == nil {
		return nil, fmt.Errorf("serving the bench: %v can be neither programmed nor driven", d)
	}
	info, err := os.Stat(o.Folder)
	switch {
	case err != nil:
		return nil, fmt.Errorf("serving the bench: %w", err)
	case !info.IsDir():
		return nil, fmt.Errorf("serving the bench: found a file at %s, want a folder", o.Folder)
	}
	s.folder = folder(o.Folder)
	s.guard = &guard{hosts: o.Hosts, token: o.Token, cookie: rand.Text(), slow: make(chan struct{}, mostWrong), wait: wrongWait}
	s.ctx, s.end = context.WithCancel(context.Background())
	s.state = State{
		Version: o.Version, Station: d.String(), Simulated: d.Simulated, SilenceMS: int(o.Silence.Milliseconds()), Track: Off,
		Identity: []Fact{}, Readings: []Reading{},
	}
	if err := s.look(); err != nil {
		s.end()
		return nil, fmt.Errorf("serving the bench: %w", err)
	}
	s.offer(nil)
	return s, nil
}

// Handler serves the page and all that belongs to it.
func (s *Server) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /", page())
	mux.HandleFunc("GET /live", s.connect)
	mux.HandleFunc("GET /evidence", s.evidence)
	mux.HandleFunc("GET /{plot}", s.plot) // and whatever else lies right below /
	return s.guard.only(mux)
}

// Close stops the work at hand, turns the track off, and lets go of all windows. The station stays open. Errors: a track
// that would not go off; [ErrHalfway]. A second Close does nothing.
func (s *Server) Close() error {
	s.mu.Lock()
	if s.closed {
		s.mu.Unlock()
		return nil
	}
	s.closed = true
	if s.silence != nil {
		s.silence.Stop()
	}
	s.windows.forgetAll()
	if s.job != nil {
		s.job.cancel(errClosed)
	}
	s.mu.Unlock()
	s.end()
	s.alive.Wait()
	s.mu.Lock()
	defer s.mu.Unlock()
	var err error
	off := "; the track is off"
	if s.state.Track != Off {
		err, off = errors.New(s.state.Trouble), ""
	}
	if s.batch != nil && s.batch.halfway {
		err = errors.Join(err, fmt.Errorf("%w: its journal is %s; the page offers to go on with it, or to undo it%s", ErrHalfway, s.state.Batch.Journal, off))
	}
	return err
}

// errClosed is why the work at hand ends when the server does.
var errClosed = errors.New("the bench was closed")

// ErrHalfway is what the error of [Server.Close] wraps where the server has left a batch half-way.
var ErrHalfway = errors.New("a batch was stopped half-way")
