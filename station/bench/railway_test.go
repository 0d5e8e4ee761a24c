package bench

import (
	"context"
	"math"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/station"
)

// engine is a decoder in a vehicle that goes at 300 mm/s at full drive, by steps that are the same in size, without momentum and lag.
func engine(b Braking) Spec {
	s := plain()
	s.Registers = cv.Values{at(1): 3, at(2): 0, at(3): 0, at(4): 0, at(5): 255, at(6): 0, at(19): 0, at(23): 0, at(24): 0, at(27): 1, at(29): 2, at(140): 140}
	s.Vehicle = Vehicle{Top: 300, Reverse: 1, Curve: 1, Coast: 1000, Length: 120, Seed: 1}
	s.Braking = b
	return s
}

var danger = station.Section{Length: 3000, Room: 3000, Asymmetric: 2}

// start lays a section, places a vehicle and drives it at a step out of 28 towards the section.
func start(t testing.TB, s Spec, section station.Section, lead station.Lead, way station.Way, step uint8) *Bench {
	t.Helper()
	b := New(s.New(1))
	if err := b.Lay(section); err != nil {
		t.Fatal(err)
	}
	again(t, b, lead, way, step)
	return b
}

func again(t testing.TB, b *Bench, lead station.Lead, way station.Way, step uint8) {
	t.Helper()
	if err := b.Place(lead, way); err != nil {
		t.Fatal(err)
	}
	powerOn(t, b)
	send(t, b, nmra.Instruction{Kind: nmra.Functions, Address: short(3), Group: nmra.F0toF4, States: 1})
	send(t, b, nmra.Instruction{Kind: nmra.Speed, Address: short(3), Steps: nmra.Steps28, Step: step, Forward: lead == station.Front})
}

func send(t testing.TB, b *Bench, i nmra.Instruction) {
	t.Helper()
	if err := b.Send(context.Background(), packet(t, i), 2); err != nil {
		t.Fatal(err)
	}
}

func wait(t testing.TB, b *Bench, d time.Duration) {
	t.Helper()
	if err := b.Wait(context.Background(), d); err != nil {
		t.Fatal(err)
	}
}

// watched is what became of a run: when, in seconds, and where it came to the section, and when and where it came to rest.
type watched struct{ entered, rested, past float64 }

// watch waits for a run to end: at rest, or out of the section.
func watch(t testing.TB, b *Bench) (w watched, stopped bool) {
	t.Helper()
	r := b.railway
	end := float64(r.section.Length) + 10
	for range 100_000 {
		before, was := b.Look(), b.Now()
		if err := b.refresh(context.Background()); err != nil {
			t.Fatal(err)
		}
		after := b.Look()
		if before.Past < 0 && after.Past >= 0 {
			w.entered = was.Seconds() - float64(before.Past)/float64(before.Speed)
		}
		if w.rested = b.Now().Seconds(); after.Past > 0 && after.Speed == 0 {
			w.past = float64(after.Past)
			return w, true
		}
		if float64(after.Past) > end {
			return w, false
		}
	}
	t.Fatalf("neither at rest nor out of the section: %+v", b.Look())
	return w, false
}

const speedAt20 = 300 * (127.5 + (20-14.5)/13.5*127.5) / 255

func TestAVehicleStopsWhereTheClosedFormOfItsPatternHasIt(t *testing.T) {
	distance := Distance{Register: 140, PerUnit: 10}
	v := float64(speedAt20)
	for _, c := range []struct {
		name string
		b    Braking
		s, T float64
	}{
		{"even", Braking{Pattern: Even, Distance: distance}, 1400, 2 * 1400 / v},
		{"late", Braking{Pattern: Late, Distance: distance, Deceleration: 100}, 1400, 1400/v + v/200},
		{"creep", Braking{Pattern: Creep, Distance: distance, Deceleration: 100, Speed: 40}, 1400, (v-40)/100 + (1400-(v*v-1600)/200)/40},
		{"deceleration", Braking{Pattern: Deceleration, Deceleration: 50}, v * v / 100, v / 50},
		{"time", Braking{Pattern: Time, Seconds: 4}, v * 2, 4},
		{"fading", Braking{Pattern: Fading, Deceleration: 40, Speed: 200, Exponent: 2.7}, math.Pow(v, 2.7) / (2.7 * 40 * math.Pow(200, 0.7)),
			math.Pow(v, 1.7) / (1.7 * 40 * math.Pow(200, 0.7))},
		{"stop below", Braking{Pattern: StopBelow, Speed: 250}, v * v / 2000, v / 1000},
	} {
		c.b.Senses = Travel
		b := start(t, engine(c.b), danger, station.Front, station.With, 20)
		w, stopped := watch(t, b)
		if !stopped || math.Abs(w.past-c.s) > 0.1 {
			t.Errorf("%s: stopped %v after %.3f mm, want %.3f", c.name, stopped, w.past, c.s)
		}
		if took := w.rested - w.entered; took < c.T-0.001 || took > c.T+0.011 {
			t.Errorf("%s: stopped after %.4f s, want %.4f, and the packet during which it did", c.name, took, c.T)
		}
	}
}
