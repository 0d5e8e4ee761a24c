package bench

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"fettle/station"
)

// Times and lengths in which motion is followed. Our own choice.
const (
	ramp   = 2e-3 // s: while the drive changes
	stride = 1.0  // s: else, at most
	still  = 0.05 // mm/s: slower is standing, where the drive is 0
)

// railway is the section, and the vehicle of one decoder on its way to it. Places are in mm past where the run enters the section, in the
// direction of the run; speeds in mm/s, negative where it goes the other way; times in s.
//
// While the decoder drives, the speed follows the drive with a lag. While it brakes, it holds the motor to a profile whatever the load; so
// does the load where there is no drive. Both are in closed form, except that a changing drive is taken in short steps.
type railway struct {
	decoder *Decoder
	section station.Section
	gates   []float64 // where they stand, in the order of the section
	way     station.Way
	ahead   float64 // 1 where the front leads, else -1: the sign of a speed front first
	now     time.Duration
	edges   []station.GateEdge

	past, speed float64
	level       float64 // the drive, in steps out of orders.top; above 0 front first
	imposed     bool    // profile decides the speed, not the drive
	profile     profile // what is left of it
	braking     bool    // for the section

	powered bool   // as at the last look
	orders  orders // likewise

	// Of this run.
	touches float64 // where it finds the section, past where it begins
	dirt    float64 // where it loses contact for good
	contact bool
	astray  float64 // by how much it stops farther, where it stops in the section
	factor  float64 // of its speed
	runs    uint64
	ran     float64 // how long the motor has turned

	speeds speeds
}

// speeds are those of a vehicle at each step, rear first and front first, in mm/s.
type speeds struct {
	top     int
	changed int // of the decoder, when they were found
	at      [2][127]float64
}

// build builds a section around what stands on the track.
func (r *railway) build(s station.Section) {
	s.Gates = slices.Clone(s.Gates)
	r.section, r.edges = s, nil
}

// place puts the vehicle down for another run.
func (r *railway) place(lead station.Lead, way station.Way, now time.Duration) {
	v := &r.decoder.spec.Vehicle
	r.runs++
	// By its power-ons too, which it remembers, so that a trial taken up again in another command does not draw the same.
	random := rand.New(rand.NewPCG(v.Seed, r.decoder.seed*spread+r.decoder.powerOns+r.runs<<32))
	r.way, r.ahead, r.now = way, 1, now
	if lead == station.Rear {
		r.ahead = -1
	}
	r.gates = r.gates[:0]
	for _, g := range r.section.Gates {
		if way == station.Against {
			g = r.section.Length - g
		}
		r.gates = append(r.gates, float64(g))
	}
	r.edges = nil
	r.astray = random.NormFloat64() * float64(v.Scatter.Stop)
	r.factor = (1 + max(random.NormFloat64()*v.Scatter.Speed, -0.9)) * (1 + v.Warm*(1-math.Exp(-r.ran/warming.Seconds())))
	r.touches, r.dirt, r.contact = 0, math.Inf(1), true
	faulty, dirty, where := random.Float64() < v.Contact, random.Float64() < 0.5, random.Float64()
	switch length := float64(r.section.Length); {
	case length == 0:
	case faulty && dirty:
		r.dirt = where * length
	case faulty:
		r.touches = where * length / 10
	}
	r.past, r.speed, r.level, r.imposed, r.braking = -r.runUp(), 0, 0, false, false
	r.powered, r.orders = false, orders{}
}

// runUp is how far before the section a run begins: enough to come to the top speed, whatever steps that is told in, and the first gate
// beyond it.
func (r *railway) runUp() float64 {
	const settled, apart = 12, 100 // time constants; mm
	d, far := r.decoder, 0.0
	v := &d.spec.Vehicle
	for _, top := range [...]int{14, 28, 126} {
		each, sum := d.momentum(true, top), 0.0
		for step := range top {
			drive := func(front bool) float64 { return v.speed(d.drive(float64(step+1), float64(top), front), front) }
			sum += each * max(drive(true), drive(false))
		}
		far = max(far, sum)
	}
	far = r.factor * (far + settled*v.Lag.Seconds()*float64(v.Top)*max(v.Reverse, 1))
	first := 0.0
	for _, g := range r.gates {
		first = min(first, g)
	}
	return far - first + apart + float64(v.Length)
}

// steady is how fast it goes in the end at a level of the drive.
func (r *railway) steady(level float64) float64 {
	top := r.orders.top
	if level == 0 || top == 0 {
		return 0
	}
	t := &r.speeds
	if t.top != top || t.changed != r.decoder.changed {
		t.top, t.changed = top, r.decoder.changed
		for front := range t.at {
			for step := range top + 1 {
				drive := r.decoder.drive(float64(step), float64(top), front == 1)
				t.at[front][step] = r.decoder.spec.Vehicle.speed(drive, front == 1)
			}
		}
	}
	steps, direction := &t.at[1], r.ahead
	if level < 0 {
		steps, direction = &t.at[0], -r.ahead
	}
	size := min(math.Abs(level), float64(top))
	below := int(size)
	v := steps[below]
	if below < top {
		v += (size - float64(below)) * (steps[below+1] - v)
	}
	return v * direction * r.factor
}

// levelAt is the level of the drive at which it goes about as fast as it does now: where the momentum takes up from.
func (r *railway) levelAt() float64 {
	direction := math.Copysign(1, r.speed*r.ahead)
	for step := 1; step <= r.orders.top; step++ {
		low, high := math.Abs(r.steady(direction*float64(step-1))), math.Abs(r.steady(direction*float64(step)))
		if fast := math.Abs(r.speed); fast <= high && high > low {
			return direction * (float64(step-1) + max(fast-low, 0)/(high-low))
		}
	}
	if math.Abs(r.speed) < still {
		return 0
	}
	return direction * float64(r.orders.top)
}
