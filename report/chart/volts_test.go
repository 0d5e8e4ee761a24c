package chart

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fettle/nmra/wave"
	"fettle/nmra/wave/conform"
)

// leaningVoltage is four seconds of a signal with a section in it, and a gap. Invented.
func leaningVoltage() conform.Voltage {
	var v conform.Voltage
	for at := time.Duration(0); at < 4*time.Second; at += 100 * time.Millisecond {
		p := conform.Point{From: at, To: at + 100*time.Millisecond, Positive: 15.2, Negative: 15.1}
		switch {
		case at >= time.Second && at < 2*time.Second:
			p.Positive, p.Negative = 15.9, 14.5
		case at >= 3*time.Second && at < 3200*time.Millisecond:
			continue
		}
		v.Series = append(v.Series, p)
	}
	v.Stretches = []conform.Stretch{
		{From: 0, To: time.Second}, {From: time.Second, To: 2 * time.Second, Lean: conform.Positive, Positive: 15.9, Negative: 14.5, Difference: 1.4},
		{From: 2 * time.Second, To: 3 * time.Second}, {From: 3 * time.Second, To: 3200 * time.Millisecond, Lean: conform.NoSignal},
		{From: 3200 * time.Millisecond, To: 4 * time.Second},
	}
	return v
}

func TestAStretchOfAsymmetryIsNamedWithItsVoltageAndTime(t *testing.T) {
	p := drawn(t, Signal{Voltage: leaningVoltage()})
	for _, want := range []string{"positive", "negative", "difference", "more positive, +1.4 V", "no signal", "More positive, +1.4 V, from 1.000 to 2.000 s."} {
		if !p.has(want) {
			t.Errorf("the picture says %q, want %q among it", p.texts, want)
		}
	}
}

func TestWithoutAsymmetryThatIsSaid(t *testing.T) {
	v := leaningVoltage()
	v.Stretches = []conform.Stretch{{From: 0, To: 4 * time.Second}}
	p := drawn(t, Signal{Voltage: v})
	if !p.has("No asymmetry was seen. Behind an AC-coupled input, such as a sound card's, there is none to be seen.") {
		t.Errorf("the picture says %q", p.texts)
	}
	for _, text := range p.texts {
		if strings.Contains(text, "more positive") {
			t.Errorf("the picture says %q where nothing leans", text)
		}
	}
}

func TestManyStretchesAreNotWrittenOverEachOther(t *testing.T) {
	v := leaningVoltage()
	v.Stretches = nil
	for i := range 400 {
		v.Stretches = append(v.Stretches, conform.Stretch{From: time.Duration(i) * 10 * time.Millisecond,
			To: time.Duration(i+1) * 10 * time.Millisecond, Lean: conform.Lean(1 + i%2), Difference: 1})
	}
	p := drawn(t, Signal{Voltage: v})
	named := 0
	for _, text := range p.texts {
		if strings.HasPrefix(text, "more positive, ") || strings.HasPrefix(text, "more negative, ") {
			named++
		}
	}
	if named == 0 || named > 16 { // two rows of eight are all that the width has room for
		t.Errorf("%d of 400 stretches are named", named)
	}
	if !strings.Contains(p.desc, "; and 397 more.") {
		t.Errorf("description %q, want it to say how many more there are", p.desc)
	}
}

func TestAVoltageThatIsNoneIsNotDrawn(t *testing.T) {
	v := leaningVoltage()
	for i, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), 1e300, -1e300} {
		v.Series[3*i].Positive, v.Series[3*i+1].Negative = wave.Volts(bad), wave.Volts(bad)
	}
	drawn(t, Signal{Voltage: v})
	strip := conform.Strip{Halves: []time.Duration{1000, 1000}, Volts: []wave.Volts{wave.Volts(math.NaN()), 1e300}, To: 2}
	drawn(t, Signal{Strips: []conform.Strip{strip}})
	strip.Volts = []wave.Volts{wave.Volts(math.NaN()), 15}
	drawn(t, Signal{Strips: []conform.Strip{strip}})
}

func TestAnAxisHasAFewRoundTicks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		low := rapid.Float64Range(-1e6, 1e9).Draw(t, "low")
		high := low + math.Pow(10, rapid.Float64Range(-6, 9).Draw(t, "size"))
		const most = 9
		labels := map[string]bool{}
		n := 0
		for _, tick := range even(most).Ticks(low, high) {
			if room := 1e-6 * (high - low); tick.Value < low-room-1e-5 || tick.Value > high+room+1e-5 {
				t.Fatalf("tick at %v, beyond %v to %v", tick.Value, low, high)
			}
			if tick.Label != "" {
				labels[tick.Label] = true
				n++
			}
		}
		if math.Abs(low) > 1e9*(high-low) {
			return // so far from 0 that a float64 can't tell the ticks apart: it has to end, and no more
		}
		if n > most+1 || len(labels) != n {
			t.Fatalf("%d labels from %v to %v, %d of them different", n, low, high, len(labels))
		}
		if (high-low)/math.Max(math.Abs(low), 1) > 1e-3 && n < 2 {
			t.Fatalf("%d labels from %v to %v", n, low, high)
		}
	})
}
