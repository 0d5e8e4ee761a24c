package bench

import (
	"context"
	"errors"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"fettle/nmra"
	"fettle/station"
)

func TestAGateClosesAtTheLeadingEndAndOpensAtTheTrailingOne(t *testing.T) {
	gated := danger
	gated.Gates = []station.Millimetres{-400, -100, 300}
	gated.Asymmetric = 0
	for _, c := range []struct {
		way    station.Way
		gates  []int
		places []float64 // past where the run enters
	}{
		{station.With, []int{1, 1, 2, 2, 3, 3}, []float64{-400, -280, -100, 20, 300, 420}},
		{station.Against, []int{3, 3, 2, 2, 1, 1}, []float64{2700, 2820, 3100, 3220, 3400, 3520}},
	} {
		b := start(t, engine(Braking{}), gated, station.Rear, c.way, 20)
		var first time.Duration
		for n, gate := range c.gates {
			edge, err := b.Gate(context.Background())
			if err != nil {
				t.Fatal(err)
			}
			if n == 0 {
				first = edge.At
			}
			want := (c.places[n] - c.places[0]) / speedAt20
			if edge.Gate != gate || edge.Closed != (n%2 == 0) || math.Abs((edge.At-first).Seconds()-want) > 1e-6 {
				t.Errorf("%v: edge %d is %+v, %.6f s after the first; want gate %d and %.6f s", c.way, n, edge, (edge.At - first).Seconds(), gate, want)
			}
		}
	}
}

func TestWaitingAtAGateWhereNothingMovesFails(t *testing.T) {
	gated := danger
	gated.Gates = []station.Millimetres{-100}
	b := start(t, engine(Braking{}), gated, station.Front, station.With, 0)
	if _, err := b.Gate(context.Background()); err == nil {
		t.Error("an edge without a vehicle that moves")
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := b.Gate(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("%v, want it to be cancelled", err)
	}
	if err := b.Wait(ctx, time.Second); !errors.Is(err, context.Canceled) {
		t.Errorf("%v, want it to be cancelled", err)
	}
}

func TestAVehicleCoastsWhenThePowerIsCutAndStandsStillUntilItIsDriven(t *testing.T) {
	spec := engine(Braking{})
	spec.Vehicle.Coast = 100
	b := start(t, spec, danger, station.Front, station.With, 20)
	wait(t, b, time.Second)
	from := b.Look()
	if !from.Lights || math.Abs(float64(from.Speed)-speedAt20) > 1e-9 {
		t.Fatalf("%+v: want it on its way, lights on", from)
	}
	if err := b.PowerOff(context.Background()); err != nil {
		t.Fatal(err)
	}
	wait(t, b, time.Second)
	if v := b.Look(); math.Abs(float64(v.Speed)-(speedAt20-100)) > 1e-6 || v.Lights {
		t.Errorf("a second without power: %+v, want 100 mm/s less and no lights", v)
	}
	wait(t, b, 9*time.Second)
	if v := b.Look(); v.Speed != 0 || math.Abs(float64(v.Past-from.Past)-speedAt20*speedAt20/200) > 1e-6 {
		t.Errorf("10 s without power: %+v from %+v, want it to have coasted v²/2a", v, from)
	}
	powerOn(t, b)
	rest := b.Look().Past
	wait(t, b, time.Second)
	if v := b.Look(); v.Past != rest {
		t.Errorf("it moved by %v when its power came on", v.Past-rest)
	}
}

func TestAnEmergencyStopCutsTheMotorAndAStopBrakesByItsMomentum(t *testing.T) {
	for _, c := range []struct {
		kind nmra.Kind
		want float64 // mm/s after half a second
	}{{nmra.EmergencyStop, speedAt20 - 50}, {nmra.Stop, speedAt20 - 0.5/(28*0.128)*300}} {
		spec := engine(Braking{})
		spec.Vehicle.Coast = 100
		spec.Registers[at(4)] = 4 // 0.128 s a step at 28 steps
		b := start(t, spec, danger, station.Front, station.With, 20)
		wait(t, b, time.Second)
		began := b.Now()
		send(t, b, nmra.Instruction{Kind: c.kind, Address: short(3), Steps: nmra.Steps28, Forward: true})
		wait(t, b, 500*time.Millisecond-(b.Now()-began))
		if v := float64(b.Look().Speed); math.Abs(v-c.want) > 4 {
			t.Errorf("%v: %.1f mm/s after half a second, want about %.1f", c.kind, v, c.want)
		}
		if wait(t, b, 5*time.Second); b.Look().Speed != 0 {
			t.Errorf("%v: %v after 5.5 s", c.kind, b.Look().Speed)
		}
	}
}

func TestADecoderThatHearsNoSpeedStopsAfterItsTimeOut(t *testing.T) {
	for value, moves := range map[uint8]bool{0: true, 2: false} {
		spec := engine(Braking{})
		spec.Registers[at(11)] = value
		b := start(t, spec, danger, station.Front, station.With, 20)
		if wait(t, b, 5*time.Second); b.Look().Speed == 0 {
			t.Errorf("CV 11 = %d: it stopped though its speed was sent on and on", value)
		}
		b.standing = nil
		if wait(t, b, 3*time.Second); (b.Look().Speed > 0) != moves {
			t.Errorf("CV 11 = %d: %v after 3 s without a packet, want it to move: %v", value, b.Look().Speed, moves)
		}
	}
}

func TestOnDirtItStopsWithItsLightsOffAndPlacedAnewItRuns(t *testing.T) {
	spec := engine(Braking{Pattern: Even, Senses: Travel, Distance: Distance{Offset: 1400}})
	spec.Vehicle.Contact = 1
	b := New(spec.New(1))
	section := danger
	section.Length = 1600
	if err := b.Lay(section); err != nil {
		t.Fatal(err)
	}
	dirty, late, beyond := 0, 0, 0
	for range 40 {
		if err := b.PowerOff(context.Background()); err != nil {
			t.Fatal(err)
		}
		again(t, b, station.Front, station.With, 20)
		w, stopped := watch(t, b)
		switch {
		case !stopped:
			t.Fatal("it ran through")
		case !b.Look().Lights:
			dirty++
		case w.past > 1400.1:
			late++
		default:
			beyond++ // the dirt lies between where it stopped and the section's end
		}
	}
	if dirty < 10 || late < 10 || beyond > 10 {
		t.Errorf("%d stops on dirt, %d late ones, %d without either; want about as many of the first two", dirty, late, beyond)
	}
}

func TestScatterIsThatOfItsFileAndTheSameWithTheSameSeed(t *testing.T) {
	spec := engine(Braking{Pattern: Late, Senses: Travel, Deceleration: 100, Distance: Distance{Offset: 1400}})
	spec.Vehicle.Scatter = Scatter{Stop: 8, Speed: 0.01}
	stops := func(seed uint64) (all []float64) {
		b := New(spec.New(seed))
		if err := b.Lay(danger); err != nil {
			t.Fatal(err)
		}
		for range 60 {
			if err := b.PowerOff(context.Background()); err != nil {
				t.Fatal(err)
			}
			again(t, b, station.Front, station.With, 20)
			w, _ := watch(t, b)
			all = append(all, w.past)
		}
		return all
	}
	one, same, other := stops(1), stops(1), stops(2)
	if diff := cmp.Diff(one, same); diff != "" {
		t.Errorf("the same seed stops elsewhere:\n%s", diff)
	}
	if cmp.Equal(one, other) {
		t.Error("another seed stops at the same places")
	}
	var sum, squares float64
	for _, s := range one {
		sum, squares = sum+s, squares+(s-1400)*(s-1400)
	}
	// 60 draws of a standard deviation of 8: the mean within 4 of its standard errors, the deviation within a third.
	if mean, sd := sum/60, math.Sqrt(squares/60); math.Abs(mean-1400) > 4.2 || sd < 5.3 || sd > 10.7 {
		t.Errorf("stops at %.1f mm with a deviation of %.1f, want 1400 and 8", mean, sd)
	}
}

func TestWhateverIsSentAVehicleIsWhereItsSpeedBringsItAndNeverJumps(t *testing.T) {
	braked, passed := 0, 0
	rapid.Check(t, func(rt *rapid.T) {
		spec := engine(Braking{
			Pattern:  Pattern(rapid.IntRange(int(None), int(StopBelow)).Draw(rt, "pattern")),
			Senses:   Senses(rapid.IntRange(int(Nothing), int(Either)).Draw(rt, "senses")),
			Distance: Distance{Offset: station.Millimetres(rapid.Float64Range(0, 900).Draw(rt, "distance"))},
			Speed:    60, Deceleration: 90, Seconds: 2, Exponent: 2.7,
		})
		for _, n := range []nmra.CV{2, 3, 4, 23, 24, 27} {
			spec.Registers[at(n)] = uint8(rapid.SampledFrom([]int{3, 0, 1, 2, 130}).Draw(rt, "register"))
		}
		spec.Vehicle.Lag = time.Duration(rapid.IntRange(0, 300).Draw(rt, "lag")) * time.Millisecond
		spec.Vehicle.Coast = rapid.SampledFrom([]float64{0, 200}).Draw(rt, "coast")
		spec.Vehicle.Contact = rapid.SampledFrom([]float64{1, 0}).Draw(rt, "contact")
		b := New(spec.New(rapid.Uint64().Draw(rt, "seed")))
		section := station.Section{Length: 800, Room: 800, Asymmetric: 2, Higher: station.Side(rapid.IntRange(0, 1).Draw(rt, "side")),
			Gates: []station.Millimetres{-300, -10, 30}}
		if err := b.Lay(section); err != nil {
			rt.Fatal(err)
		}
		lead, way := station.Lead(rapid.IntRange(0, 1).Draw(rt, "lead")), station.Way(rapid.IntRange(0, 1).Draw(rt, "way"))
		if err := b.Place(lead, way); err != nil {
			rt.Fatal(err)
		}
		b.railway.past = -20
		powerOn(t, b)
		const most = 300
		for range rapid.IntRange(4, 12).Draw(rt, "orders") {
			steps := rapid.SampledFrom([]nmra.Steps{nmra.Steps28, nmra.Steps128}).Draw(rt, "steps")
			i := nmra.Instruction{Address: short(3), Steps: steps, Forward: (lead == station.Front) == (rapid.IntRange(0, 4).Draw(rt, "forward") < 4),
				Kind: rapid.SampledFrom([]nmra.Kind{nmra.Speed, nmra.Speed, nmra.Speed, nmra.Stop, nmra.EmergencyStop}).Draw(rt, "kind")}
			if i.Kind == nmra.Speed {
				i.Step = steps.Top() - uint8(rapid.IntRange(0, int(steps.Top())-1).Draw(rt, "below the top"))
			}
			send(t, b, i)
			for range rapid.IntRange(20, 200).Draw(rt, "packets") {
				before, was := b.Look(), b.Now()
				if err := b.refresh(context.Background()); err != nil {
					rt.Fatal(err)
				}
				after := b.Look()
				if b.railway.braking && b.railway.imposed {
					braked++
				}
				moved, took := math.Abs(float64(after.Past-before.Past)), (b.Now() - was).Seconds()
				if after.Speed < 0 || after.Speed > most+1e-6 || moved > most*took+1e-6 || math.IsNaN(moved) {
					rt.Fatalf("%+v, then after %.4f s %+v", before, took, after)
				}
			}
			if rapid.IntRange(0, 9).Draw(rt, "power") == 0 {
				if err := b.PowerOff(context.Background()); err != nil {
					rt.Fatal(err)
				}
				powerOn(t, b)
			}
		}
		passed += len(b.railway.edges)
		for n := 1; n < len(b.railway.edges); n++ {
			if b.railway.edges[n].At < b.railway.edges[n-1].At {
				rt.Fatalf("edges out of order: %v", b.railway.edges)
			}
		}
	})
	if braked < 50 || passed < 20 {
		t.Errorf("%d packets during which it braked, %d edges at gates: too few of one to say anything", braked, passed)
	}
}

func TestWithALagItsSpeedFollowsAsTheClosedFormHasIt(t *testing.T) {
	const lag, top = 0.2, 300 * 252.0 / 255
	for _, cv3 := range []uint8{0, 4} {
		spec := engine(Braking{})
		spec.Registers[at(3)], spec.Registers[at(29)] = cv3, 0x12
		for n := range nmra.CV(28) {
			spec.Registers[at(67+n)] = uint8(9 * (n + 1))
		}
		spec.Vehicle.Lag = time.Duration(lag * float64(time.Second))
		r := railway{decoder: spec.New(1)}
		r.place(station.Front, station.With, 0)
		from := r.past
		r.powered, r.orders = true, orders{step: 28, top: 28}
		ramp := float64(cv3) * 0.896 // s to the top
		for n := 1; n <= 40; n++ {
			at := time.Duration(n) * 77 * time.Millisecond
			r.advance(at)
			t0 := at.Seconds()
			// The answer of v' = (u - v)/lag to a u that jumps to the top, and to one that goes up evenly.
			v, s := top*(1-math.Exp(-t0/lag)), top*(t0-lag*(1-math.Exp(-t0/lag)))
			if ramp > 0 {
				v, s = top/ramp*(t0-lag*(1-math.Exp(-t0/lag))), top/ramp*(t0*t0/2-lag*t0+lag*lag*(1-math.Exp(-t0/lag)))
			}
			if math.Abs(r.speed-v) > 0.01 || math.Abs(r.past-from-s) > 0.01 {
				t.Errorf("CV 3 = %d, after %v: %.3f mm/s after %.3f mm, want %.3f and %.3f", cv3, at, r.speed, r.past-from, v, s)
			}
			if ramp > 0 && t0+0.077 > ramp {
				break
			}
		}
	}
}

// BenchmarkRun is a run of about 12 s at 28 steps, from rest to rest, packets and all.
func BenchmarkRun(b *testing.B) {
	spec, err := BuiltIn("engine-30")
	if err != nil {
		b.Fatal(err)
	}
	spec.Registers[at(3)], spec.Registers[at(1)] = 0, 3
	bench := New(spec.New(1))
	if err := bench.Lay(danger); err != nil {
		b.Fatal(err)
	}
	var virtual time.Duration
	b.ReportAllocs()
	for b.Loop() {
		if err := bench.PowerOff(context.Background()); err != nil {
			b.Fatal(err)
		}
		began := bench.Now()
		again(b, bench, station.Front, station.With, 16)
		for v := bench.Look(); v.Speed > 0 || v.Past < 0; v = bench.Look() {
			wait(b, bench, 100*time.Millisecond)
		}
		virtual += bench.Now() - began
	}
	b.ReportMetric(virtual.Seconds()/float64(b.N), "virtual-s/op")
	b.ReportMetric(virtual.Seconds()/b.Elapsed().Seconds(), "virtual-s/s")
}
