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

// Gate waits for the next edge. Edges wait for it in order, from [New] on. Where some were lost, here or on the board, since they were not
// taken in time, Gate returns one [station.ErrStation] that says so, and then goes on with those that came after. Where the track was on
// and the board has cut its power, Gate says that.
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
	for range 2 {
		if edge, lost, ok := b.gates.next(); lost > 0 {
			return edge, false, b.wrong("edges of gates have been lost, %d in all: more came than were taken", lost)
		} else if ok {
			return edge, true, nil
		}
		if err := b.usable(ctx); err != nil {
			return edge, false, err
		}
		if err := b.certain(); err != nil {
			return edge, false, err
		}
		if len(b.gates.waiting) == 0 {
			if _, _, err := b.hear(b.line.Now() + gateSlice); err != nil {
				return edge, false, err
			}
		}
	}
	return edge, false, nil
}

// gates are the edges that wait, in order.
type gates struct {
	clock   clock
	waiting []waiting
	last    time.Duration // of the last edge that came
	then    uint8         // the gates that had an edge at that instant
	counted bool          // an event has come
	number  uint8         // of the last one: the board leaves one out for each edge that it had no room for
}

// waiting is an edge that waits; or stands for so many that were lost.
type waiting struct {
	station.GateEdge
	lost int
}

// anew is called when the board has started anew: its clock and its numbers begin at 0.
func (g *gates) anew() {
	g.clock, g.last, g.then, g.counted, g.number = clock{}, 0, 0, true, 0xFF
}

// take takes an edge in, unless it has come before. One of the time before the clock was first read was meant for somebody else.
func (g *gates) take(number uint8, e link.GateEvent, now time.Duration) {
	at, gate := g.clock.at(e.ClockMicros, now), uint8(1)<<(e.Gate-1)
	switch {
	case at < g.last, at == g.last && g.then&gate != 0:
		return
	case at == g.last:
		g.then |= gate
	default:
		g.last, g.then = at, gate
	}
	if g.counted {
		g.lose(int(number - g.number - 1))
	}
	g.counted, g.number = true, number
	if len(g.waiting) >= mostEdges {
		g.lose(1)
		return
	}
	g.waiting = append(g.waiting, waiting{GateEdge: station.GateEdge{Gate: int(e.Gate), Closed: e.Closed != 0, At: at}})
}

// pass takes in the number of another event, which may have come before.
func (g *gates) pass(number uint8) {
	ahead := int8(number - g.number)
	if g.counted && ahead <= 0 {
		return
	}
	if g.counted {
		g.lose(int(ahead) - 1)
	}
	g.counted, g.number = true, number
}

// lose notes that so many edges were lost.
func (g *gates) lose(n int) {
	last := len(g.waiting) - 1
	switch {
	case n == 0:
	case last >= 0 && g.waiting[last].lost > 0:
		g.waiting[last].lost += n
	default:
		g.waiting = append(g.waiting, waiting{lost: n})
	}
}

// next takes the first edge that waits, or how many were lost before it.
func (g *gates) next() (edge station.GateEdge, lost int, ok bool) {
	if len(g.waiting) == 0 {
		return edge, 0, false
	}
	first := g.waiting[0]
	g.waiting = g.waiting[1:]
	return first.GateEdge, first.lost, first.lost == 0
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
