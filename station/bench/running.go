package bench

import (
	"cmp"
	"math"
	"slices"
	"time"

	"fettle/station"
)

// law is how the speed goes on as long as nothing happens.
type law struct {
	speed   float64 // at first
	held    bool    // to the phase; else it follows the drive
	phase   phase
	towards float64 // the speed of the drive
	lag     float64 // with which it gets there
}

// after is how far it has come, and how fast it is, after t seconds.
func (l law) after(t float64) (moved, speed float64) {
	switch {
	case l.held:
		moved, speed = l.phase.after(math.Abs(l.speed), t)
		return math.Copysign(moved, l.speed), math.Copysign(speed, l.speed)
	case l.lag == 0:
		return l.towards * t, l.towards
	}
	left := math.Exp(-t / l.lag)
	return l.towards*t + (l.speed-l.towards)*l.lag*(1-left), l.towards + (l.speed-l.towards)*left
}

// reaching is after how many seconds it has come so far, at most that many.
func (l law) reaching(moved, most float64) float64 {
	low, high := 0.0, most
	for range 60 {
		half := (low + high) / 2
		if far, _ := l.after(half); math.Abs(far) < math.Abs(moved) {
			low = half
		} else {
			high = half
		}
	}
	return high
}

// advance lets the vehicle move until an instant.
func (r *railway) advance(to time.Duration) {
	const instant = 1e-10 // s
	left := (to - r.now).Seconds()
	for left > instant && (r.speed != 0 || !r.imposed && (r.level != 0 || r.target() != 0)) {
		l, most, level := r.law(min(left, stride))
		if r.imposed && r.speed == 0 {
			r.halt()
			continue
		}
		t := most
		moved, speed := l.after(t)
		place, crosses := r.next(r.past + moved)
		if crosses {
			t = l.reaching(place-r.past, most)
			_, speed = l.after(t)
			moved = place - r.past
		}
		r.close(l, t, moved, to-time.Duration(left*1e9))
		r.past, r.speed = r.past+moved, speed
		if crosses {
			r.past = place
		}
		if r.speed != 0 {
			r.ran += t
		}
		left -= t
		r.spend(moved, t/most, level)
		if r.imposed && r.speed == 0 {
			r.halt()
		}
		if crosses {
			r.cross(place)
		}
	}
	r.now = to
}

// target is the level of the drive that it has been told, or 0 where it cannot follow.
func (r *railway) target() float64 {
	if !r.powered || !r.contact || r.orders.emergency {
		return 0
	}
	return float64(r.orders.step)
}

// law is how the vehicle goes on from here, for how long at most, and the level of the drive at the end of that.
func (r *railway) law(most float64) (l law, until, level float64) {
	if r.imposed {
		for r.speed != 0 {
			fast := math.Abs(r.speed)
			lasts := r.profile[0].lasts(fast)
			if lasts > 1e-9 {
				return law{speed: r.speed, held: true, phase: r.profile[0]}, min(most, lasts), 0
			}
			if p := r.profile[0]; p.power != 0 || r.profile == (profile{}) {
				r.speed = math.Copysign(min(fast, p.to), r.speed)
			}
			r.profile = profile{r.profile[1], r.profile[2]}
		}
		return law{}, most, 0
	}
	level = r.level
	for target := r.target(); level != target; {
		goal := target
		if level*target < 0 {
			goal = 0
		}
		each := r.decoder.momentum(math.Abs(goal) > math.Abs(level), r.orders.top)
		if each == 0 {
			r.level, level = goal, goal
			continue
		}
		if whole := math.Abs(goal-level) * each; whole <= min(most, ramp) {
			most, level = whole, goal
		} else {
			most = min(most, ramp)
			level += math.Copysign(most/each, goal-level)
		}
		break
	}
	l = law{speed: r.speed, towards: r.steady((r.level + level) / 2), lag: r.decoder.spec.Vehicle.Lag.Seconds()}
	return l, most, level
}

// spend takes what has gone by off what was to come: a part, from 0 to 1, of the way to a level of the drive.
func (r *railway) spend(moved, part, level float64) {
	switch {
	case r.imposed:
		if p := &r.profile[0]; p.power == 0 {
			p.over = max(p.over-math.Abs(moved), 0)
		}
	case part == 1:
		r.level = level
	default:
		r.level += (level - r.level) * part
	}
	if !r.imposed && r.level == 0 && r.target() == 0 && math.Abs(r.speed) < still {
		r.speed = 0
	}
}

// halt is what becomes of a vehicle that has been brought to rest.
func (r *railway) halt() {
	r.speed, r.level, r.imposed, r.profile = 0, 0, r.braking, profile{}
	r.react()
}

// next is the first place on the way to another where something changes.
func (r *railway) next(to float64) (place float64, found bool) {
	for _, p := range [...]float64{r.touches, float64(r.section.Length), r.dirt} {
		if between(p, r.past, to) && (!found || math.Abs(p-r.past) < math.Abs(place-r.past)) {
			place, found = p, true
		}
	}
	return place, found
}

// between says whether one who goes from one place to another comes to p.
func between(p, from, to float64) bool { return from < p && p <= to || to <= p && p < from }

// close notes the gates that are passed on the way.
func (r *railway) close(l law, t, moved float64, at time.Duration) {
	first := len(r.edges)
	for i, g := range r.gates {
		for _, end := range [...]float64{0, float64(r.decoder.spec.Vehicle.Length)} {
			if !between(g+end, r.past, r.past+moved) {
				continue
			}
			when := at + time.Duration(l.reaching(g+end-r.past, t)*1e9)
			r.edges = append(r.edges, station.GateEdge{Gate: i + 1, Closed: (end == 0) == (moved > 0), At: when})
		}
	}
	slices.SortStableFunc(r.edges[first:], func(a, b station.GateEdge) int { return cmp.Compare(a.At, b.At) })
}

// cross is what happens at a place where something changes.
func (r *railway) cross(place float64) {
	if place == r.dirt {
		r.contact = false
		r.cut()
		return
	}
	r.react()
}

// cut leaves the motor without drive.
func (r *railway) cut() {
	r.level, r.braking, r.imposed, r.profile = 0, false, r.speed != 0, profile{r.decoder.spec.Vehicle.coasting()}
}

// inside says whether its leading end stands in the section, for one that goes in a direction.
func (r *railway) inside(direction float64) bool {
	from, to := r.touches, float64(r.section.Length)
	if direction > 0 {
		return from <= r.past && r.past < to
	}
	return from < r.past && r.past <= to
}

// react lets the decoder heed the signal, and go on where it is there no more.
func (r *railway) react() {
	if !r.powered || !r.contact || r.orders.emergency {
		return
	}
	direction := r.speed
	if direction == 0 {
		direction = float64(r.orders.step) * r.ahead
	}
	if direction == 0 {
		return
	}
	way := r.way
	if direction < 0 {
		way = station.With + station.Against - way
	}
	danger := r.inside(direction) && r.decoder.senses(r.section, way, direction*r.ahead > 0)
	switch {
	case danger && !r.braking:
		r.braking = true
		p, brakes := r.decoder.brake(math.Abs(r.speed))
		if !brakes {
			return
		}
		if d := p.distance(math.Abs(r.speed)); d > 0 {
			const least = 0.1
			p = p.stretched(max(1+r.astray/d, least))
		}
		r.imposed, r.profile = true, p
	case !danger && r.braking:
		r.braking = false
		r.resume()
	}
}

// resume gives the speed back to the drive.
func (r *railway) resume() {
	if r.imposed {
		r.imposed, r.profile, r.level = false, profile{}, r.levelAt()
	}
}

// heed takes in what the decoder has been told, and whether it has power.
func (r *railway) heed() {
	if r.powered != r.decoder.powered {
		r.powered, r.orders = r.decoder.powered, orders{}
		r.cut()
	}
	if !r.powered {
		return
	}
	r.decoder.overdue(r.now)
	old, told := r.orders, r.decoder.orders
	r.orders = told
	if old.step == told.step && old.top == told.top && old.emergency == told.emergency {
		return
	}
	if old.top != 0 {
		r.level *= float64(told.top) / float64(old.top)
	}
	if told.emergency {
		r.cut()
		return
	}
	if !r.braking && r.contact {
		r.resume()
	}
	r.react()
}

// view is what can be seen of it.
func (r *railway) view() station.View {
	return station.View{
		Past:   station.Millimetres(r.past),
		Speed:  station.MillimetresPerSecond(math.Abs(r.speed)),
		Lights: r.powered && r.contact && r.orders.lights,
		At:     r.now,
	}
}
