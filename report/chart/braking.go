package chart

import (
	"fmt"
	"io"
	"math"
	"strconv"

	"fettle/station"
	"fettle/trial"
)

// Braking is a trial of braking, its runs and what they show, as a picture. Runs that were not made have no part in it.
type Braking struct {
	Trial   trial.Trial
	Runs    []trial.Run
	Verdict trial.Verdict // of trial.Judge
}

// WriteSVG writes the picture as SVG: its panels one below the other. The same Braking always gives the same bytes. Names may hold anything.
// Errors are those of w.
func (b Braking) WriteSVG(w io.Writer) error { return b.page(wide).writeSVG(w) }

// WritePNG writes the same picture as PNG, with two dots a point. Errors are those of w.
func (b Braking) WritePNG(w io.Writer) error { return b.page(wide).writePNG(w) }

func (b Braking) page(l look) page {
	return page{look: l, title: b.Trial.Title, panels: []panel{b.stopsPanel(l), b.motionPanel(l), b.responsePanel(l)}}
}

// What no layout has: more is a mistake, and is not drawn.
const (
	noSpeed    station.MillimetresPerSecond = 10_000
	noDistance station.Millimetres          = 100_000
)

// spot is where a run is drawn.
type spot struct {
	lead  station.Lead
	speed float64 // mm/s
	stop  float64 // mm; of one that stopped

	run    int    // its number; 0: none
	before bool   // it is one of those before a change
	words  string // what the run was
}

// spots are the runs with the section, by outcome, and how many there are that have no place.
type spots struct {
	by        [4][]spot // by outcome
	speedless int       // made, and without an entry speed
	beyond    int       // with a speed or a distance that no layout has
}

// spotsOf sorts the runs.
func spotsOf(runs []trial.Run) (s spots) {
	for _, r := range runs {
		switch {
		case !r.Made || r.Way != station.With || int(r.Outcome) >= len(s.by):
		case !(r.Speed > 0):
			s.speedless++
		case r.Speed > noSpeed || r.Outcome == trial.Stopped && !(r.Stop >= 0 && r.Stop <= noDistance):
			s.beyond++
		default:
			s.by[r.Outcome] = append(s.by[r.Outcome], spot{lead: r.Lead, speed: float64(r.Speed), stop: float64(r.Stop), run: r.Number, words: told(r)})
		}
	}
	return s
}

// told says a run in words: "run 12: front leading, 160 mm/s, stopped after 1390 mm".
func told(r trial.Run) string {
	text := fmt.Sprintf("run %d: %s leading, %s, %s", r.Number, r.Lead, r.Speed, r.Outcome)
	if r.Outcome == trial.Stopped {
		text += fmt.Sprintf(" after %s", r.Stop)
	}
	return text
}

// count is how many spots there are.
func (s spots) count() (n int) {
	for _, of := range s.by {
		n += len(of)
	}
	return n
}

// notes say what is not drawn.
func (s spots) notes() (notes []string) {
	if s.speedless > 0 {
		notes = append(notes, fmt.Sprintf("%s without an entry speed: not drawn.", runs(s.speedless)))
	}
	if s.beyond > 0 {
		notes = append(notes, fmt.Sprintf("%s faster than %s, or farther than %s: not drawn.", runs(s.beyond), noSpeed, noDistance))
	}
	return notes
}

// reach is what the axes of stops against speed go over.
type reach struct {
	speed     float64 // from 0
	low, high float64 // mm
}

// inside says that a distance is within reach.
func (r reach) inside(mm station.Millimetres) bool {
	return float64(mm) >= r.low && float64(mm) <= r.high
}

// reach is from where to where it has something to show. The distances begin at 0 only where that costs no detail.
func (b Braking) reach(s spots) reach {
	r := reach{low: math.Inf(1)}
	distance := func(mm float64) {
		if mm >= 0 && mm <= float64(noDistance) {
			r.low, r.high = min(r.low, mm), max(r.high, mm)
		}
	}
	for _, of := range s.by {
		for _, spot := range of {
			r.speed = max(r.speed, spot.speed)
		}
	}
	for _, v := range b.Trial.Wanted.Speeds {
		if v > 0 && v <= noSpeed {
			r.speed = max(r.speed, float64(v))
		}
	}
	for _, spot := range s.by[trial.Stopped] {
		distance(spot.stop)
	}
	if near, far, ok := b.wanted(); ok {
		distance(near)
		distance(far)
	}
	if room := b.room(); room > 0 {
		distance(float64(room))
	}
	if at := float64(b.Verdict.Bound.At); at > 0 && at < 2*r.high {
		distance(at)
	}
	if r.speed == 0 {
		r.speed = 100
	}
	if r.low > r.high || r.high == 0 {
		r.low, r.high = 0, 1000
	}
	r.speed *= 1.08
	edge := max(0.12*(r.high-r.low), 0.02*r.high)
	r.low, r.high = r.low-edge, r.high+edge
	if r.low < 0.4*r.high {
		r.low = 0
	}
	return r
}

// room is the length to the place that must not be passed; the section's where the trial says no other. 0: neither is known.
func (b Braking) room() station.Millimetres {
	room := b.Trial.Section.Room
	if !(room > 0) {
		room = b.Trial.Section.Length
	}
	if !(room > 0 && room <= noDistance) {
		return 0
	}
	return room
}

// wanted is between which distances a stop is on target. It is false where the trial doesn't say.
func (b Braking) wanted() (near, far float64, ok bool) {
	w := b.Trial.Wanted
	if !(w.Stop > 0 && w.Stop <= noDistance && w.Within >= 0 && w.Within <= noDistance) {
		return 0, 0, false
	}
	return max(0, float64(w.Stop-w.Within)), float64(w.Stop + w.Within), true
}

// hasBound says that the scatter bound is known, and can be drawn.
func (b Braking) hasBound() bool {
	return b.Verdict.Bound.At > 0 && b.Verdict.Bound.At <= noDistance
}

// share is how many of how many: "99 in 100".
func share(s float64) string {
	if !(s > 0 && s < 1) {
		return "all"
	}
	of := 100.0
	for of < 1e6 && math.Abs(s*of-math.Round(s*of)) > 1e-6 {
		of *= 10
	}
	return fmt.Sprintf("%.0f in %.0f", s*of, of)
}

// percent is a share as it is said of an interval: "95 %".
func percent(share float64) string { return strconv.FormatFloat(100*share, 'g', 4, 64) + " %" }

// runs is how many.
func runs(n int) string {
	if n == 1 {
		return "1 run"
	}
	return count(int64(n)) + " runs"
}

// kilometres is the scale speed in km/h; 0 where the scale is not known.
func kilometres(v, scale float64) float64 {
	if !(scale >= 1 && scale <= 1000) {
		return 0
	}
	return v * scale * 3600 / 1e6
}
