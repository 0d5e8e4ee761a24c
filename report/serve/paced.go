package serve

import (
	"context"
	"math"
	"sync"
	"time"

	"fettle/nmra"
	"fettle/station"
)

// How the time of the bench passes while somebody looks on. Our own choice.
const (
	tick  = 50 * time.Millisecond // of the clock on the wall
	chunk = 20 * time.Millisecond // of the bench, at a time
	rest  = 30 * time.Second      // of the bench: after so long without power everything stands
)

// paced is a bench whose time passes by itself while its track is on, so that a person can look on: a station as a real one is, with gates,
// but no [station.Layout]. One lock guards the bench, which is not for several goroutines at once.
type paced struct {
	pace    float64
	gates   []station.Millimetres // in the order of the section
	length  station.Millimetres
	seen    func(station.View)
	ticking sync.WaitGroup

	mu     sync.Mutex
	bench  station.Layout
	halt   context.CancelFunc // of the ticking; nil: the track is off
	failed error              // why the time has stopped
	last   station.View
	way    station.Way
	enter  time.Duration // when it passed where its run enters; below 0: it has not
	stands time.Duration // when it came to rest after that; below 0: it has not
	edges  []station.GateEdge
	closed chan struct{} // holds one when there are new edges
}

func newPaced(bench station.Layout, s station.Section, pace float64, seen func(station.View)) *paced {
	return &paced{bench: bench, pace: pace, gates: s.Gates, length: s.Length, seen: seen, closed: make(chan struct{}, 1)}
}

// place puts the vehicle down for a run.
func (p *paced) place(lead station.Lead, way station.Way) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.way, p.enter, p.stands, p.edges = way, -1, -1, nil
	err := p.bench.Place(lead, way)
	p.last = p.bench.Look()
	return err
}

// Look says where the vehicle was last.
func (p *paced) Look() station.View {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.last
}

// stopped says where the vehicle stands, and how long it took from where its run entered; 0 where that is not known. As somebody with a ruler
// and a watch has it: to the millimetre, and to a tenth of a second.
func (p *paced) stopped() (station.Millimetres, time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	took := time.Duration(0)
	if p.enter >= 0 && p.stands > p.enter {
		took = (p.stands - p.enter).Round(100 * time.Millisecond)
	}
	return max(0, station.Millimetres(math.Round(float64(p.last.Past)))), took
}

// PowerOn turns the track on, and lets time pass from then on.
func (p *paced) PowerOn(ctx context.Context) (station.Draw, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	draw, err := p.bench.PowerOn(ctx)
	if err != nil || p.halt != nil {
		return draw, err
	}
	p.failed = nil
	ticking, halt := context.WithCancel(context.WithoutCancel(ctx))
	p.halt = halt
	p.ticking.Go(func() { p.pass(ticking) })
	return draw, nil
}

// PowerOff turns the track off, and lets the vehicle come to rest.
func (p *paced) PowerOff(ctx context.Context) error {
	p.stop()
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.bench.PowerOff(ctx); err != nil {
		return err
	}
	for begun := p.last.At; p.last.Speed > 0 && p.last.At-begun < rest; {
		if p.step(context.WithoutCancel(ctx)) != nil {
			break // it stands where it was seen last; the track is off
		}
	}
	p.seen(p.last)
	return nil
}

// stop stops the time.
func (p *paced) stop() {
	p.mu.Lock()
	if p.halt != nil {
		p.halt()
		p.halt = nil
	}
	p.mu.Unlock()
	p.ticking.Wait()
}

// Send sends a packet.
func (p *paced) Send(ctx context.Context, packet nmra.Packet, times int) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.failed != nil {
		return p.failed
	}
	return p.bench.Send(ctx, packet, times)
}

// Gate waits for the next time that the vehicle closes a gate.
func (p *paced) Gate(ctx context.Context) (station.GateEdge, error) {
	for {
		p.mu.Lock()
		if len(p.edges) > 0 {
			edge := p.edges[0]
			p.edges = p.edges[1:]
			p.mu.Unlock()
			return edge, nil
		}
		failed := p.failed
		p.mu.Unlock()
		if failed != nil {
			return station.GateEdge{}, failed
		}
		select {
		case <-p.closed:
		case <-ctx.Done():
			return station.GateEdge{}, ctx.Err()
		}
	}
}

// pass lets time pass until it is stopped.
func (p *paced) pass(ctx context.Context) {
	again := time.NewTicker(tick)
	defer again.Stop()
	owed := time.Duration(0)
	for {
		select {
		case <-ctx.Done():
			return
		case <-again.C:
		}
		owed = min(owed+time.Duration(float64(tick)*p.pace), time.Duration(float64(2*tick)*p.pace)+chunk) // a machine that can't keep up is not asked for ever more
		for ; owed >= chunk && ctx.Err() == nil; owed -= chunk {
			p.mu.Lock()
			err := p.step(ctx)
			if err != nil && ctx.Err() == nil {
				p.failed = err
				p.rouse()
			}
			p.mu.Unlock()
			if err != nil {
				return
			}
		}
		p.seen(p.Look())
	}
}

// step lets a little time pass, and sees what has become of the vehicle. The lock is held.
func (p *paced) step(ctx context.Context) error {
	if err := p.bench.Wait(ctx, chunk); err != nil {
		return err
	}
	last, now := p.last, p.bench.Look()
	p.last = now
	passed := func(at station.Millimetres) (time.Duration, bool) {
		if last.Past >= at || now.Past < at || last.At == now.At {
			return 0, false
		}
		share := float64((at - last.Past) / (now.Past - last.Past))
		return last.At + time.Duration(share*float64(now.At-last.At)), true
	}
	if at, ok := passed(0); ok && p.enter < 0 {
		p.enter = at
	}
	if now.Speed == 0 && last.Speed > 0 && now.Past > 0 {
		p.stands = now.At
	}
	for i, g := range p.gates {
		if p.way == station.Against {
			g = p.length - g
		}
		if at, ok := passed(g); ok {
			p.edges = append(p.edges, station.GateEdge{Gate: i + 1, Closed: true, At: at})
			p.rouse()
		}
	}
	return nil
}

// rouse rouses whoever waits at a gate. The lock is held.
func (p *paced) rouse() {
	select {
	case p.closed <- struct{}{}:
	default:
	}
}
