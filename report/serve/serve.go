// Package serve is the bench in a browser: a page for the telephone beside the track, to see what is on it, to read registers, to put a register
// set on a decoder, and to make the runs of a trial.
//
// [New] makes a [Server] of a station and a folder; its [Server.Handler] serves the page, and what goes between the two is in protocol.go. What
// the page can reach is that station, and in that folder register sets and trials by their names, journals and runs. One window drives,
// others watch; all can stop. While the track is on, who drives has to be heard: a silence longer than [Options].Silence turns it off.
package serve

import (
	"net/http"
	"time"

	"fettle/station"
)

// Options say what is served, and to whom.
type Options struct {
	Station station.Station
	Folder  string        // of register sets, trials and journals; new journals and runs go there
	Silence time.Duration // after which the track goes off, 1 s to 60 s
	Hosts   []string      // that a request may be for, as its Host header has them; any other is refused
	Token   string        // that a browser has to show once; "" where only this machine can reach the server
	Pace    float64       // on the bench: how many times faster than life its time passes during a run; above 0
	Bound   float64       // the chance of a wrong value up to which a value counts as read
	Version string
}

// Server is a bench in a browser.
type Server struct{}

// New makes a server. Errors: a station that can be neither programmed nor driven; a folder that can't be read.
func New(o Options) (*Server, error) { panic("not built yet") }

// Handler serves the page and all that belongs to it.
func (s *Server) Handler() http.Handler { panic("not built yet") }

// Close stops the work at hand, turns the track off, and lets go of all windows. The station stays open.
func (s *Server) Close() error { panic("not built yet") }
