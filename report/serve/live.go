package serve

import (
	"context"
	"encoding/json"
	"net/http"
	"regexp"
	"time"

	"github.com/coder/websocket"
	"github.com/sirupsen/logrus"
)

// Limits of a connection. Our own choice.
const (
	mostMessage = 256 << 10
	between     = 30 * time.Millisecond // two states that a window is told
	slowWrite   = 5 * time.Second       // a window that takes longer to take a message is gone
	noWord      = 15 * time.Second      // nor is one here that says nothing for so long, and for four silences
)

var windowID = regexp.MustCompile(`^[0-9a-f]{32}$`)

// connect is the connection of a window.
func (s *Server) connect(w http.ResponseWriter, r *http.Request) {
	id := r.URL.Query().Get("window")
	if !windowID.MatchString(id) {
		http.Error(w, "Found no window, want window= and 32 hexadecimal digits.", http.StatusBadRequest)
		return
	}
	s.mu.Lock()
	if s.closed {
		s.mu.Unlock()
		http.Error(w, "The bench was closed.", http.StatusServiceUnavailable)
		return
	}
	s.alive.Add(1)
	s.mu.Unlock()
	defer s.alive.Done()
	control := http.NewResponseController(w)
	_ = control.SetReadDeadline(time.Time{}) // the connection is kept; it has limits of its own
	_ = control.SetWriteDeadline(time.Time{})
	conn, err := websocket.Accept(w, r, nil)
	if err != nil {
		return // it has been answered
	}
	conn.SetReadLimit(mostMessage)
	ctx, cancel := context.WithCancel(s.ctx)
	defer cancel()
	closer := func(code websocket.StatusCode, why string) { // waits for nobody: it is called with the lock held
		go func() {
			_ = conn.Close(code, why)
			cancel()
		}()
	}
	window, ok := s.arrive(id, closer)
	if !ok {
		_ = conn.Close(websocket.StatusTryAgainLater, "too many windows are open")
		return
	}
	logrus.WithFields(logrus.Fields{"from": r.RemoteAddr}).Info("a window has come")
	defer logrus.WithFields(logrus.Fields{"from": r.RemoteAddr}).Info("a window has gone")
	defer s.leave(window)
	defer conn.CloseNow()
	go func() {
		defer cancel()
		s.tell(ctx, conn, window)
	}()
	s.listen(ctx, conn, window)
}

// listen takes the orders of a window until it is gone.
func (s *Server) listen(ctx context.Context, conn *websocket.Conn, w *window) {
	for {
		patience, cancel := context.WithTimeout(ctx, max(noWord, 4*s.options.Silence))
		kind, data, err := conn.Read(patience)
		cancel()
		if err != nil {
			return
		}
		order, err := parseOrder(data)
		if err != nil || kind != websocket.MessageText {
			logrus.WithError(err).Warn("a window sent what is no order")
			_ = conn.Close(websocket.StatusPolicyViolation, "what it sent is no order")
			return
		}
		s.take(w, order)
	}
}

// tell tells a window what there is to be told, until it is gone.
func (s *Server) tell(ctx context.Context, conn *websocket.Conn, w *window) {
	send := func(e Event) bool {
		data, err := json.Marshal(e)
		if err != nil {
			logrus.WithError(err).Error("a state can't be told")
			return false
		}
		patience, cancel := context.WithTimeout(ctx, slowWrite)
		defer cancel()
		return conn.Write(patience, websocket.MessageText, data) == nil
	}
	w.rouse()
	for {
		select {
		case <-ctx.Done():
			return
		case <-w.wake:
		}
		answers, state := s.news(w)
		if state != nil && !send(Event{State: state}) {
			return
		}
		for _, a := range answers {
			if !send(Event{Answer: &a}) {
				return
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(between):
		}
	}
}
