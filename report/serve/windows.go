package serve

import (
	"slices"
	"time"

	"github.com/coder/websocket"
)

// Limits of windows. Our own choice.
const (
	mostWindows  = 16
	mostKnown    = 64          // windows of which it is known what they asked, the gone ones among them
	mostAnswered = 32          // orders of a window of which it is known what became of them
	mostUnsent   = 64          // answers that a window has not taken
	seatKept     = time.Minute // for the window that had it, once it is gone
)

// window is a page that is open in a browser, or was.
type window struct {
	id      string
	open    bool
	close   func(websocket.StatusCode, string)
	wake    chan struct{} // holds one when there is something to be said
	answers []Answer      // that are to be said
	last    int           // the highest ID of an order, beats and stops left out
	done    []*Answer     // of the last orders; Answer.ID says of which. One that is still being done is in asked alone
	asked   []int         // the IDs of orders that are being done
	left    time.Time     // when it was closed
	told    int           // Server.changes that it has been told
}

// windows are all of them, by ID.
type windows struct {
	by     map[string]*window
	driver string // ID of the one that drives; "": nobody does
}

// open counts the windows that are open.
func (w *windows) open() (n int) {
	for _, one := range w.by {
		if one.open {
			n++
		}
	}
	return n
}

// forgetAll lets go of all that are open.
func (w *windows) forgetAll() {
	for _, one := range w.by {
		if one.open {
			one.close(websocket.StatusGoingAway, "the bench was closed")
		}
	}
}

// arrive makes a window one that is open, and lets go of an older connection of it. false: there are too many.
func (s *Server) arrive(id string, closer func(websocket.StatusCode, string)) (*window, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	w, known := s.windows.by[id]
	switch {
	case s.closed, s.windows.open() >= mostWindows && !(known && w.open):
		return nil, false
	case known && w.open:
		w.close(replaced, "another window has come in place of this one")
	}
	fresh := &window{id: id, open: true, close: closer, wake: make(chan struct{}, 1)}
	if known {
		fresh.last, fresh.done, fresh.asked = w.last, w.done, w.asked
	}
	s.windows.by[id] = fresh
	s.forgetOldest()
	if s.windows.driver == id {
		s.heardDriver()
	}
	s.said()
	return fresh, true
}

// replaced is the status with which a connection is closed in whose place another one has come.
const replaced websocket.StatusCode = 4001

// forgetOldest forgets the window that has been gone longest, where too many are known.
func (s *Server) forgetOldest() {
	if len(s.windows.by) <= mostKnown {
		return
	}
	var oldest *window
	for _, w := range s.windows.by {
		if !w.open && w.id != s.windows.driver && (oldest == nil || w.left.Before(oldest.left)) {
			oldest = w
		}
	}
	if oldest != nil {
		delete(s.windows.by, oldest.id)
	}
}

// leave makes a window one that is gone. Its seat is kept for a while.
func (s *Server) leave(w *window) {
	s.mu.Lock()
	defer s.mu.Unlock()
	w.open, w.left = false, time.Now()
	if s.windows.by[w.id] != w { // another connection has its place
		return
	}
	if s.windows.driver == w.id && !s.closed {
		time.AfterFunc(seatKept, func() {
			s.mu.Lock()
			defer s.mu.Unlock()
			if s.windows.by[w.id] == w && s.windows.driver == w.id {
				s.windows.driver = ""
				s.said()
			}
		})
	}
	s.said()
}

// said has all windows told that the state has changed. The lock is held.
func (s *Server) said() {
	s.changes++
	for _, w := range s.windows.by {
		if w.open {
			w.rouse()
		}
	}
}

func (w *window) rouse() {
	select {
	case w.wake <- struct{}{}:
	default:
	}
}

// answer says to a window what became of an order, and remembers it. The lock is held. A window that takes no answers is let go of.
func (s *Server) answer(id string, a Answer, remember bool) {
	w, known := s.windows.by[id]
	if !known {
		return
	}
	if remember {
		w.asked = slices.DeleteFunc(w.asked, func(asked int) bool { return asked == a.ID })
		w.done = append(w.done, &a)
		w.done = w.done[max(0, len(w.done)-mostAnswered):]
	}
	if !w.open {
		return
	}
	if len(w.answers) >= mostUnsent {
		w.close(websocket.StatusPolicyViolation, "it takes no answers")
		return
	}
	w.answers = append(w.answers, a)
	w.rouse()
}

// news are what a window is to be told; the state is nil where it knows it.
func (s *Server) news(w *window) (answers []Answer, _ *State) {
	s.mu.Lock()
	defer s.mu.Unlock()
	answers, w.answers = w.answers, nil
	if w.told == s.changes {
		return answers, nil
	}
	w.told = s.changes
	state := s.state
	state.Watching = s.windows.open()
	switch s.windows.driver {
	case "":
		state.Seat = Free
	case w.id:
		state.Seat = Mine
	default:
		state.Seat = Taken
	}
	return answers, &state
}
