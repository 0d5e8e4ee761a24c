package conform

import (
	"math"
	"slices"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
)

// Voltmeter measures the voltages of a signal: how high its half-waves are, and where one of them is higher than the other, as it is in a
// section before a signal at danger. It averages over windows of 10 ms, and tells where an asymmetry begins as finely as that.
//
// What it says of asymmetry is only as good as the zero of the probe: a probe that is off by 0.2 V shows a difference of 0.4 V
// everywhere, so measure plain track too. Where the capture is AC coupled, as through the input of a sound card, the asymmetry is lost: such
// an input takes the average of the signal for zero, and both half-waves come out alike.
//
// The zero Voltmeter is ready. What it holds does not grow with the signal, and for each half it allocates nothing.
type Voltmeter struct {
	height  gauge // of half-waves, in millivolts
	tallies [limitCount]tally

	end       time.Duration // of the half that came last
	begun     bool
	before    float64 // the voltage of the half before, with its sign
	pairs     int64   // of a half and the one before it
	through   int64   // of them those between which the voltage goes through 0
	window    span    // that is coming in
	stretches stretches
	series    series
}

const (
	windowLength = 10 * time.Millisecond

	// A half that is shorter is a disturbance: it has no voltage that it settles at. Common practice, no source.
	shortestSettled = nmra.HalfOne / 2

	mostVolts = 1e6 // what is more can be no voltage
	voltGrain = 10  // how finely voltages are counted, in millivolts

	// Two half-waves, one of which is less than this part of the other, are not those of the voltage between two rails: our own choice. Of
	// 14 V a section takes some 3 V.
	leastPart = 0.25
)

// Halves takes the next halves, in the order of time, and the voltage that each settles at, with its sign; start is that of the first
// half. Halves without a voltage, because there are fewer of these or because they are not finite, are not measured.
func (v *Voltmeter) Halves(start time.Duration, halves []time.Duration, volts []wave.Volts) {
	if !v.begun {
		v.end, v.begun = start, true
	}
	if start-v.end > LongestHalf {
		v.silent(v.end, start)
	}
	v.end = start
	for i, half := range halves {
		at := v.end
		v.end += half
		if half > LongestHalf {
			v.silent(at, v.end)
			continue
		}
		if i < len(volts) {
			v.half(at, half, float64(volts[i]))
		}
	}
}

// half takes a half that belongs to the signal.
func (v *Voltmeter) half(at, half time.Duration, volts float64) {
	height := math.Abs(volts)
	if !(height > 0 && height <= mostVolts) {
		return
	}
	w := &v.window
	if at-w.from >= windowLength && w.whole() {
		v.close()
	}
	if w.to <= w.from {
		w.from = at
	}
	w.to = at + half
	if half < shortestSettled {
		return
	}
	v.pairs++
	if before := math.Abs(v.before); volts*v.before < 0 && min(height, before) >= leastPart*max(height, before) {
		v.through++
	}
	v.before = volts
	sum := &w.positive
	if volts < 0 {
		sum = &w.negative
	}
	sum.join(average{height, 1})
	milli := int64(math.Round(height * 1000))
	v.height.add(milli, milli/voltGrain)
	if milli < leastStation || milli > mostStation {
		for i, l := range limits {
			v.tallies[i].judge(milli, l.least, l.most, 0, at)
		}
	}
}

// close ends the window. One with half-waves of one side only says nothing of asymmetry, and is left out.
func (v *Voltmeter) close() {
	if v.window.whole() {
		v.stretches.window(v.window)
		v.series.window(v.window)
	}
	v.window = span{}
}

// silent takes a time without signal.
func (v *Voltmeter) silent(from, to time.Duration) {
	v.close()
	v.stretches.silence(from, to)
}

// Result is what was measured until now, held against what S-9.1 has for the scale.
func (v *Voltmeter) Result(scale Scale) Voltage {
	if v.through < v.pairs/2 {
		return Voltage{OneSided: true}
	}
	now := *v // with the window as far as it has come; the Voltmeter itself goes on with it
	now.stretches.ended = slices.Clone(v.stretches.ended)
	now.series.points = slices.Clone(v.series.points)
	now.close()
	now.stretches.end()

	r := Voltage{Rules: []Rule{v.rule(station), v.rule(decoderOf(scale))}, Stretches: now.stretches.ended, More: now.stretches.more}
	for _, p := range now.series.points {
		r.Series = append(r.Series, Point{p.from, p.to, p.positive.volts(), p.negative.volts()})
	}
	return r
}

// rule is a limit as a rule.
func (v *Voltmeter) rule(id limit) Rule {
	const of = 1000
	r := Rule{
		Section: "S-9.1", Name: limits[id].name, Unit: Volts,
		Limits: Limits{Least: float64(limits[id].least) / of, Most: float64(limits[id].most) / of},
		Seen:   v.height.seen(),
		Least:  float64(v.height.low) / of, Median: float64(v.height.median(voltGrain)) / of, Most: float64(v.height.high) / of,
	}
	v.tallies[id].fill(&r)
	return r
}
