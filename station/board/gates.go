package board

import (
	"context"
	"time"

	"fettle/station"
	"fettle/station/board/link"
)

// mostEdges is how many edges wait for [Board.Gate].
const mostEdges = 1000

// gateSlice is how long Gate keeps others waiting that want something of the board.
const gateSlice = 20 * time.Millisecond

// Gate waits for the next edge. Edges wait for it in order, from [New] on. Where too many have, those after them are dropped, and once
// the others have been taken Gate returns one [station.ErrStation] that says how many. Where the track was on and the board has cut its
// power, Gate says so.
func (b *Board) Gate(ctx context.Context) (station.GateEdge, error) {
	for {
		if edge, ok, err := b.edge(ctx); ok || err != nil {
			return edge, err
		}
	}
}

// edge waits for an edge for a short time.
func (b *Board) edge(ctx context.Context) (edge station.GateEdge, ok bool, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if edge, ok := b.gates.next(); ok {
		return edge, true, nil
	}
	if n := b.gates.lost; n > 0 {
		b.gates.lost = 0
		return edge, false, b.wrong("%d edges of gates have been dropped here, since more than %d waited", n, mostEdges)
	}
	if err := b.usable(ctx); err != nil {
		return edge, false, err
	}
	if err := b.certain(); err != nil {
		return edge, false, err
	}
	if _, _, err := b.hear(b.line.Now() + gateSlice); err != nil {
		return edge, false, err
	}
	edge, ok = b.gates.next()
	return edge, ok, nil
}

// gates are the edges that wait, in order.
type gates struct {
	events
	clock   clock
	waiting []station.GateEdge
	last    time.Duration // of the last edge that came
	lost    int           // edges that came when too many waited
}

// anew is called when the board has started anew.
func (g *gates) anew() { g.events, g.clock, g.last = events{}, clock{}, 0 }

// take takes an edge in, unless it has come before. One of the time before the clock was first read was meant for somebody else.
func (g *gates) take(number uint8, e link.GateEvent, now time.Duration) {
	at := g.clock.at(e.ClockMicros, now)
	if at < g.last || !g.fresh(number) {
		return
	}
	if g.last = at; len(g.waiting) == mostEdges || g.lost > 0 {
		g.lost++
		return
	}
	g.waiting = append(g.waiting, station.GateEdge{Gate: int(e.Gate), Closed: e.Closed != 0, At: at})
}

func (g *gates) next() (edge station.GateEdge, ok bool) {
	if len(g.waiting) == 0 {
		return edge, false
	}
	edge, g.waiting = g.waiting[0], g.waiting[1:]
	return edge, true
}

// clock follows the board's, which counts microseconds in 32 bits and so wraps after 71 minutes.
type clock struct {
	known bool
	board time.Duration // what it would show if it did not wrap
	line  time.Duration // the line's clock then
}

// follow sets the clock by what the board's shows.
func (c *clock) follow(micros uint32, now time.Duration) {
	*c = clock{true, c.at(micros, now), now}
}

// at is an instant on the board's clock as if that did not wrap: the one within 35 minutes of what it shows by now.
func (c *clock) at(micros uint32, now time.Duration) time.Duration {
	if !c.known {
		return time.Duration(micros) * time.Microsecond
	}
	shows := (c.board + now - c.line) / time.Microsecond
	return (shows + time.Duration(int32(micros-uint32(shows)))) * time.Microsecond
}
