package bench

import "math"

// phase is a stretch of time in which a vehicle keeps its speed, or slows down so that the distance to standstill goes with speed to a
// power. Speeds are in mm/s, distances in mm, times in s.
type phase struct {
	power float64 // 0: it keeps its speed
	rate  float64 // dv/dt = -rate v^(2 - power): with a power of 2 it is the deceleration in mm/s²; +Inf: it stops dead
	to    float64 // ends at this speed
	over  float64 // where it keeps its speed: for this distance
}

// profile is how a vehicle comes to rest: at most three phases, one after the other.
type profile [3]phase

// keeping keeps the speed over a distance.
func keeping(over float64) phase { return phase{over: over} }

// slowing is a constant deceleration, in mm/s², down to a speed.
func slowing(deceleration, to float64) phase { return phase{power: 2, rate: deceleration, to: to} }

// fading has a deceleration at a speed, and a distance that goes with speed to a power.
func fading(deceleration, speed, power float64) phase {
	return phase{power: power, rate: deceleration * math.Pow(speed, power-2)}
}

// dead stops at once.
func dead() phase { return slowing(math.Inf(1), 0) }

func even(v, distance float64) profile {
	if distance <= 0 {
		return profile{dead()}
	}
	return profile{slowing(v*v/(2*distance), 0)}
}

// late keeps the speed as long as the deceleration allows, and brakes harder where the distance is too short for it.
func late(v, distance, deceleration float64) profile {
	slow := v * v / (2 * deceleration)
	if slow >= distance {
		return even(v, distance)
	}
	return profile{keeping(distance - slow), slowing(deceleration, 0)}
}

// creep brakes at once, goes on at the speed c, and stops dead. It brakes evenly where the distance is too short to come down to c.
func creep(v, distance, deceleration, c float64) profile {
	if v <= c {
		return profile{keeping(max(distance, 0)), dead()}
	}
	slow := (v*v - c*c) / (2 * deceleration)
	if slow >= distance {
		return even(v, distance)
	}
	return profile{slowing(deceleration, c), keeping(distance - slow), dead()}
}

// stretched is the same profile over a distance that is so many times as long, at the same speeds.
func (p profile) stretched(times float64) profile {
	for i := range p {
		p[i].over *= times
		p[i].rate /= times
	}
	return p
}

// distance is how far the profile takes a vehicle at a speed until it is at rest.
func (p profile) distance(v float64) (sum float64) {
	for _, ph := range p {
		t := ph.lasts(v)
		moved, to := ph.after(v, t)
		sum, v = sum+moved, to
	}
	return sum
}

// none says whether there is nothing to the phase.
func (p phase) none() bool { return p.power == 0 && p.over == 0 }

// lasts is how long the phase lasts from a speed on.
func (p phase) lasts(v float64) float64 {
	switch {
	case p.none() || v <= 0:
		return 0
	case p.power == 0:
		return p.over / v
	case math.IsInf(p.rate, 1) || v <= p.to:
		return 0
	case p.power == 2:
		return (v - p.to) / p.rate
	}
	n := p.power - 1
	return (math.Pow(v, n) - math.Pow(p.to, n)) / (n * p.rate)
}

// after is how far a vehicle at a speed has come, and how fast it is, after a time that is not longer than the phase.
func (p phase) after(v, t float64) (moved, speed float64) {
	switch {
	case v <= 0 || p.none():
		return 0, max(v, 0)
	case p.power == 0:
		return v * t, v
	case math.IsInf(p.rate, 1):
		return 0, p.to
	case p.power == 2:
		speed = max(v-p.rate*t, min(p.to, v))
		return (v + speed) / 2 * t, speed
	}
	n := p.power - 1
	speed = math.Pow(max(math.Pow(v, n)-n*p.rate*t, 0), 1/n)
	return (math.Pow(v, p.power) - math.Pow(speed, p.power)) / (p.power * p.rate), speed
}
