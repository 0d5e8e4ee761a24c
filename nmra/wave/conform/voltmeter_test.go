package conform

import (
	"math"
	"slices"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"

	"pgregory.net/rapid"
)

// powered is a signal with voltages.
type powered struct {
	halves []time.Duration
	volts  []wave.Volts
	up     bool // the half that came last was a positive one
}

// send sends packets for as long, to a whole packet, with half-waves of these heights.
func (p *powered) send(t testing.TB, length time.Duration, positive, negative wave.Volts) {
	packet, err := nmra.NewPacket(0x37, 0x74, 0x43)
	if err != nil {
		t.Fatal(err)
	}
	halves := wave.Sender{}.Append(nil, packet)
	for whole := packet.Airtime(nmra.Preamble); length >= whole; length -= whole {
		for _, half := range halves {
			p.half(half, positive, negative)
		}
	}
}

func (p *powered) half(half time.Duration, positive, negative wave.Volts) {
	volts := positive
	if p.up = !p.up; !p.up {
		volts = -negative
	}
	p.halves, p.volts = append(p.halves, half), append(p.volts, volts)
}

func (p *powered) length() (all time.Duration) {
	for _, half := range p.halves {
		all += half
	}
	return all
}

// measured has it measured in batches of at most so many halves.
func (p *powered) measured(start time.Duration, batch int) *Voltmeter {
	var v Voltmeter
	for from := 0; from < len(p.halves); from += batch {
		to := min(from+batch, len(p.halves))
		v.Halves(start, p.halves[from:to], p.volts[from:to])
		for _, half := range p.halves[from:to] {
			start += half
		}
	}
	return &v
}

func near(a, b time.Duration) bool { return (a - b).Abs() <= windowLength+200*time.Microsecond } // a window, and the half that ends it

func nearVolts(a, b wave.Volts) bool { return math.Abs(float64(a-b)) < 0.01 }

func TestHalfWavesAreHeldAgainstTheVoltagesOfTheScale(t *testing.T) {
	// NMRA S-9.1 (2020), voltages: 8.5 V to 22 V at the power station; a decoder works from 7 V and withstands 24 V, N and smaller, or 27 V.
	for _, c := range []struct {
		volts            wave.Volts
		scale            Scale
		station, decoder Verdict
	}{
		{8.5, H0Scale, Kept, Kept},
		{8.49, H0Scale, Broken, Kept},
		{7, H0Scale, Broken, Kept},
		{6.99, H0Scale, Broken, Broken},
		{22, SmallScale, Kept, Kept},
		{22.01, SmallScale, Broken, Kept},
		{24, SmallScale, Broken, Kept},
		{24.01, SmallScale, Broken, Broken},
		{24.01, AnyScale, Broken, Broken},
		{24.01, H0Scale, Broken, Kept},
		{27, H0Scale, Broken, Kept},
		{27, LargeScale, Broken, Kept},
		{27.01, H0Scale, Broken, Broken},
		{27.01, LargeScale, Broken, Broken},
	} {
		var p powered
		p.send(t, 20*time.Millisecond, 15, 15)
		at := p.length()
		p.half(nmra.HalfOne, c.volts, c.volts)
		p.send(t, 20*time.Millisecond, 15, 15)
		rules := p.measured(time.Second, 100).Result(c.scale).Rules
		if rules[0].Verdict != c.station || rules[1].Verdict != c.decoder {
			t.Errorf("%v V, %v: %v and %v, want %v and %v", c.volts, c.scale, rules[0].Verdict, rules[1].Verdict, c.station, c.decoder)
		}
		for _, r := range rules {
			least, most := min(float64(c.volts), 15), max(float64(c.volts), 15)
			if r.Median != 15 || r.Seen != int64(len(p.halves)) || r.Least != least || r.Most != most {
				t.Errorf("%v V: %+v", c.volts, r)
			}
			if r.Verdict == Broken && (r.First != time.Second+at || r.Outside != 1) {
				t.Errorf("%v V: %+v, want the first at %v", c.volts, r, time.Second+at)
			}
		}
	}
}

func TestASectionIsFoundInItsPlaceAndAlongItsWholeLength(t *testing.T) {
	for _, c := range []struct {
		name               string
		positive, negative wave.Volts
		lean               Lean
	}{{"positive", 16.5, 14.5, Positive}, {"negative", 14.5, 16.5, Negative}} {
		var p powered
		p.send(t, 200*time.Millisecond, 15.5, 15.5)
		from := p.length()
		p.send(t, 500*time.Millisecond, c.positive, c.negative)
		to := p.length()
		p.send(t, 100*time.Millisecond, 15.5, 15.5)
		v := p.measured(0, 1000).Result(H0Scale)
		s, ok := v.Section()
		if !ok || s.Lean != c.lean || !near(s.From, from) || !near(s.To, to) || s.Interrupted != nil {
			t.Errorf("%s: %+v, %v, want it everywhere from %v to %v", c.name, s, ok, from, to)
		}
		if math.Abs(float64(s.Difference-(c.positive-c.negative))) > 0.1 || math.Abs(float64(s.Positive-c.positive)) > 0.1 {
			t.Errorf("%s: %+v, want %v and %v", c.name, s, c.positive, c.negative)
		}
		if leans := leansOf(v); !slices.Equal(leans, []Lean{Even, c.lean, Even}) || v.Stretches[0].From != 0 || v.Stretches[2].To != p.length() {
			t.Errorf("%s: %+v", c.name, v.Stretches)
		}
		for i, s := range v.Stretches[1:] {
			if s.From != v.Stretches[i].To {
				t.Errorf("%s: a stretch ends at %v, and the next begins at %v", c.name, v.Stretches[i].To, s.From)
			}
		}
	}
}

func leansOf(v Voltage) (leans []Lean) {
	for _, s := range v.Stretches {
		leans = append(leans, s.Lean)
	}
	return leans
}

func TestASectionIsInterruptedWhereItIsNotThere(t *testing.T) {
	var p powered
	p.send(t, 300*time.Millisecond, 16.5, 14.5)
	even := p.length()
	p.send(t, 50*time.Millisecond, 15.5, 15.5)
	evenEnds := p.length()
	p.send(t, 300*time.Millisecond, 16.5, 14.5)
	silence := p.length()
	p.half(50*time.Millisecond, 16.5, 14.5)
	silenceEnds := p.length()
	p.send(t, 300*time.Millisecond, 16.5, 14.5)
	wrong := p.length()
	p.send(t, 100*time.Millisecond, 14.5, 16.5)
	wrongEnds := p.length()
	p.send(t, 100*time.Millisecond, 16.5, 14.5)
	end := p.length()
	p.send(t, 100*time.Millisecond, 15.5, 15.5)
	s, ok := p.measured(time.Minute, 77).Result(AnyScale).Section()
	if !ok || s.Lean != Positive || s.From != time.Minute || !near(s.To, time.Minute+end) {
		t.Fatalf("%+v, %v", s, ok)
	}
	var got []Stretch
	for _, i := range s.Interrupted {
		if i.To-i.From > 15*time.Millisecond {
			got = append(got, i) // what is not is the window between two that lean to different sides
		}
	}
	want := []Stretch{
		{From: even, To: evenEnds, Lean: Even},
		{From: silence, To: silenceEnds, Lean: NoSignal},
		{From: wrong, To: wrongEnds, Lean: Negative},
	}
	if len(got) != len(want) {
		t.Fatalf("interrupted by %+v, want %+v", got, want)
	}
	for i := range want {
		if got[i].Lean != want[i].Lean || !near(got[i].From, want[i].From+time.Minute) || !near(got[i].To, want[i].To+time.Minute) {
			t.Errorf("interrupted by %+v, want %+v", got[i], want[i])
		}
	}
}

func TestAnAsymmetryThatIsThereCountsUntilItIsMuchLess(t *testing.T) {
	const part = 50 * time.Millisecond
	for _, c := range []struct {
		differences []wave.Volts
		want        []Lean
	}{
		{[]wave.Volts{0, 0.74, 0.74}, []Lean{Even}},
		{[]wave.Volts{0, 0.76, 0.51, 0.76}, []Lean{Even, Positive}},
		{[]wave.Volts{0, 0.76, 0.49, 0.74}, []Lean{Even, Positive, Even}},
		{[]wave.Volts{0, -0.76, -0.51, -0.76}, []Lean{Even, Negative}},
		{[]wave.Volts{0, -0.76, -0.49, -0.74}, []Lean{Even, Negative, Even}},
		{[]wave.Volts{2, -0.6}, []Lean{Positive, Even}},
	} {
		var p powered
		for _, d := range c.differences {
			p.send(t, part, 15+d/2, 15-d/2)
		}
		if got := leansOf(p.measured(0, 1000).Result(AnyScale)); !slices.Equal(got, c.want) {
			t.Errorf("%v V: %v, want %v", c.differences, got, c.want)
		}
	}
}

func TestWithoutAnAsymmetryThereIsNoSection(t *testing.T) {
	var p powered
	if s, ok := p.measured(0, 1).Result(H0Scale).Section(); ok {
		t.Errorf("of nothing: %+v", s)
	}
	if rules := p.measured(0, 1).Result(H0Scale).Rules; rules[0].Verdict != NotSeen {
		t.Errorf("of nothing: %+v", rules)
	}
	p.send(t, time.Second, 15.2, 14.8)
	v := p.measured(0, 100).Result(H0Scale)
	if s, ok := v.Section(); ok {
		t.Errorf("%+v", s)
	}
	if len(v.Stretches) != 1 || !nearVolts(v.Stretches[0].Difference, 0.4) {
		t.Errorf("%+v, want one stretch of 0.4 V", v.Stretches)
	}
}

func TestWhereACaptureIsACCoupledTheAsymmetryIsLost(t *testing.T) {
	var p powered
	p.send(t, time.Second, 16.5, 14.5)
	if _, ok := p.measured(0, 100).Result(AnyScale).Section(); !ok {
		t.Fatal("it is not there to begin with")
	}
	var average float64
	for i, half := range p.halves {
		average += float64(p.volts[i]) * half.Seconds() / p.length().Seconds()
	}
	for i := range p.volts {
		p.volts[i] -= wave.Volts(average)
	}
	if s, ok := p.measured(0, 100).Result(AnyScale).Section(); ok {
		t.Errorf("%+v, though the average of the signal was taken for zero", s)
	}
}

func TestDisturbancesAndWhatIsNoVoltageAreNotMeasured(t *testing.T) {
	var p powered
	p.send(t, 100*time.Millisecond, 15, 15)
	want := p.measured(0, 100).Result(AnyScale)
	n := len(p.halves)
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), 1e300, -1e300, 0} {
		p.halves, p.volts = append(p.halves, nmra.HalfOne), append(p.volts, wave.Volts(v))
	}
	p.half(shortestSettled-1, 40, 40)
	got := p.measured(0, 100).Result(AnyScale)
	if got.Rules[0] != want.Rules[0] || got.Rules[0].Seen != int64(n) || len(got.Stretches) != 1 || !nearVolts(got.Stretches[0].Difference, 0) {
		t.Errorf("%+v, want %+v", got, want)
	}
	var v Voltmeter
	v.Halves(0, p.halves[:n], p.volts[:10])
	if got := v.Result(AnyScale).Rules[0].Seen; got != 10 {
		t.Errorf("%d half-waves of 10 that have a voltage", got)
	}
}

func TestStretchesBeyondThoseThatAreListedAreCounted(t *testing.T) {
	var p powered
	const pairs = mostStretches/2 + 20
	for range pairs {
		p.send(t, 30*time.Millisecond, 15, 15)
		p.half(30*time.Millisecond, 15, 15)
	}
	v := p.measured(0, 4096).Result(AnyScale)
	if len(v.Stretches) != mostStretches || v.More != 2*pairs-mostStretches {
		t.Errorf("%d listed and %d more, want %d and %d", len(v.Stretches), v.More, mostStretches, 2*pairs-mostStretches)
	}
}

func TestASeriesOfAnyLengthKeepsItsAveragesInSomePoints(t *testing.T) {
	var p powered
	p.send(t, 100*time.Second, 15, 15)
	p.send(t, 100*time.Second, 16, 14)
	points := p.measured(0, 4096).Result(AnyScale).Series
	if len(points) > mostPoints || len(points) < mostPoints/2 {
		t.Fatalf("%d points, want %d at the most, and half as many at the least", len(points), mostPoints)
	}
	if points[0].From != 0 || points[len(points)-1].To != p.length() {
		t.Errorf("from %v to %v, want all of %v", points[0].From, points[len(points)-1].To, p.length())
	}
	for i, point := range points {
		if i > 0 && point.From != points[i-1].To {
			t.Fatalf("a point ends at %v, and the next begins at %v", points[i-1].To, point.From)
		}
		up := point.From > 101*time.Second
		if !up && point.To > 99*time.Second {
			continue
		}
		if want := map[bool]wave.Volts{false: 15, true: 16}[up]; !nearVolts(point.Positive, want) || !nearVolts(point.Negative, 30-want) {
			t.Fatalf("%+v, want %v and %v", point, want, 30-want)
		}
	}
	var short powered
	short.send(t, 100*time.Millisecond, 15, 15)
	if got := len(short.measured(0, 100).Result(AnyScale).Series); got < 9 || got > 10 {
		t.Errorf("%d points in 100 ms, want one for each window", got)
	}
}

func TestAVoltmeterDoesNotMindHowTheHalvesCome(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var p powered
		for range rapid.IntRange(1, 300).Draw(t, "halves") {
			half := rapid.OneOf(rapid.Int64Range(52_000, 10_000_000), rapid.Int64Range(1, 1e8)).Draw(t, "half")
			p.half(time.Duration(half), wave.Volts(rapid.Float64Range(0, 30).Draw(t, "positive")), wave.Volts(rapid.Float64Range(0, 30).Draw(t, "negative")))
		}
		whole := p.measured(0, len(p.halves)).Result(H0Scale)
		v := p.measured(0, rapid.IntRange(1, 50).Draw(t, "batch"))
		v.Result(LargeScale) // changes nothing
		parts := v.Result(H0Scale)
		if !slices.Equal(whole.Rules, parts.Rules) || !slices.Equal(whole.Stretches, parts.Stretches) || !slices.Equal(whole.Series, parts.Series) {
			t.Fatalf("at once %+v, in batches %+v", whole, parts)
		}
		at := time.Duration(0)
		for _, s := range whole.Stretches {
			if s.From < at || s.To <= s.From {
				t.Fatalf("%+v", whole.Stretches)
			}
			at = s.To
		}
	})
}

func TestAResultDoesNotChangeWithWhatComesLater(t *testing.T) {
	var p powered
	for range 20 {
		p.send(t, 25*time.Millisecond, 15, 15)
		p.send(t, 25*time.Millisecond, 16, 14)
	}
	v := p.measured(0, len(p.halves))
	r := v.Result(AnyScale)
	stretches, series := slices.Clone(r.Stretches), slices.Clone(r.Series)
	for range 20 {
		v.Halves(v.end, p.halves, p.volts)
		v.Result(AnyScale)
	}
	if !slices.Equal(r.Stretches, stretches) || !slices.Equal(r.Series, series) {
		t.Error("it has changed")
	}
}

func TestAResultTakenWithAFullSeriesLeavesItAsItIs(t *testing.T) {
	var p powered
	p.send(t, windowLength+2*time.Millisecond, 15, 15)
	v := new(Voltmeter)
	for len(v.series.points) < mostPoints {
		v.Halves(v.end, p.halves, p.volts) // so that the window that is coming in makes it too many
	}
	if first, second := v.Result(AnyScale), v.Result(AnyScale); !slices.Equal(first.Series, second.Series) {
		t.Errorf("%d points, then %d others", len(first.Series), len(second.Series))
	}
}

func TestHalvesAsLongAsAWindowWaitForTheOtherHalfWave(t *testing.T) {
	var p powered
	for range 100 {
		p.half(windowLength, 16, 14)
		p.half(windowLength, 16, 14)
	}
	v := p.measured(0, 7).Result(AnyScale)
	if s, ok := v.Section(); !ok || s.From != 0 || s.To != p.length() || s.Interrupted != nil || s.Difference != 2 {
		t.Errorf("%+v, %v", s, ok)
	}
}

func TestAGapBetweenBatchesIsSilence(t *testing.T) {
	var p powered
	p.send(t, 100*time.Millisecond, 15, 15)
	var v Voltmeter
	v.Halves(0, p.halves, p.volts)
	v.Halves(time.Second, p.halves, p.volts)
	got := v.Result(AnyScale)
	want := Stretch{From: p.length(), To: time.Second, Lean: NoSignal}
	if !slices.Equal(leansOf(got), []Lean{Even, NoSignal, Even}) || got.Stretches[1] != want {
		t.Errorf("%+v, want %+v between", got.Stretches, want)
	}
}

func TestTheNamesOfScalesAreParsed(t *testing.T) {
	for text, want := range map[string]Scale{"z": SmallScale, "N": SmallScale, "h0": H0Scale, "HO": H0Scale, "S": H0Scale, "0": H0Scale, "O": H0Scale,
		"1": LargeScale, "G": LargeScale, "large": LargeScale} {
		if got, err := ParseScale(text); err != nil || got != want {
			t.Errorf("%q: %v, %v, want %v", text, got, err, want)
		}
	}
	for _, text := range []string{"", "h", "any", "1:87.1"} {
		if got, err := ParseScale(text); err == nil {
			t.Errorf("%q: %v, want an error", text, got)
		}
	}
	// NMRA S-9.1 (2020): 12 V for N and smaller, 15 V for H0, S and 0, 18 V for larger scales.
	for scale, want := range map[Scale]wave.Volts{SmallScale: 12, H0Scale: 15, LargeScale: 18, AnyScale: 0} {
		if got := scale.Nominal(); got != want {
			t.Errorf("%v: %v V, want %v", scale, got, want)
		}
	}
}

func TestMeasuringVoltagesAllocatesNothing(t *testing.T) {
	var p powered
	p.send(t, 50*time.Millisecond, 15, 15)
	p.send(t, 50*time.Millisecond, 16, 14)
	p.half(30*time.Millisecond, 15, 15)
	var v Voltmeter
	at := time.Duration(0)
	halves := func() {
		v.Halves(at, p.halves, p.volts)
		at = v.end
	}
	for range mostPoints {
		halves() // until the lists are full
	}
	if n := testing.AllocsPerRun(100, halves); n != 0 {
		t.Errorf("%v allocations, want none", n)
	}
}

func BenchmarkVoltages(b *testing.B) {
	var p powered
	p.send(b, time.Second, 15, 15)
	var v Voltmeter
	b.ReportAllocs()
	edges := 0
	for b.Loop() {
		v.Halves(v.end, p.halves, p.volts)
		edges += len(p.halves)
	}
	b.ReportMetric(float64(edges)/b.Elapsed().Seconds(), "edges/s")
}

func TestAVoltageThatDoesNotGoThroughNoughtIsNotThatBetweenTheRails(t *testing.T) {
	for _, c := range []struct {
		high, low wave.Volts
		oneSided  bool
	}{
		{14, -14, false},
		{14, -11, false}, // in a section
		{7, -24, false},
		{5, 0.02, true},    // an opto-coupler
		{15, -0.4, true},   // a rail against ground
		{-1.2, -9.5, true}, // with an offset
	} {
		var v Voltmeter
		halves, volts := make([]time.Duration, 1000), make([]wave.Volts, 1000)
		for i := range halves {
			halves[i], volts[i] = nmra.HalfOne, c.high
			if i%2 == 1 {
				volts[i] = c.low
			}
		}
		v.Halves(0, halves, volts)
		if got := v.Result(AnyScale); got.OneSided != c.oneSided || (len(got.Rules) == 0) != c.oneSided {
			t.Errorf("%v V and %v V: one-sided %v with %d rules, want %v", c.high, c.low, got.OneSided, len(got.Rules), c.oneSided)
		}
	}
}
