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
	s.Registers = cv.Values{at(1): 3, at(2): 0, at(3): 0, at(4): 0, at(5): 255, at(6): 0,
		at(19): 0, at(23): 0, at(24): 0, at(27): 1, at(29): 2, at(140): 140}
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
	if step > 0 {
		send(t, b, nmra.Instruction{Kind: nmra.Speed, Address: short(3), Steps: nmra.Steps28, Step: step, Forward: lead == station.Front})
	}
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

func TestEachStepEachEndAndEachWayBrakesToTheMarkOfItsDistance(t *testing.T) {
	for _, pattern := range []Braking{{Pattern: Even}, {Pattern: Late, Deceleration: 60}, {Pattern: Creep, Deceleration: 60, Speed: 30}} {
		pattern.Senses, pattern.Distance = Either, Distance{Register: 140, PerUnit: 8, Resolution: 3, Offset: 33}
		spec := engine(pattern)
		b := New(spec.New(1))
		if err := b.Lay(danger); err != nil {
			t.Fatal(err)
		}
		for step := uint8(2); step <= 28; step += 2 {
			for _, lead := range []station.Lead{station.Front, station.Rear} {
				for _, way := range []station.Way{station.With, station.Against} {
					if err := b.PowerOff(context.Background()); err != nil {
						t.Fatal(err)
					}
					again(t, b, lead, way, step)
					w, stopped := watch(t, b)
					// 140 is no multiple of 3: 138 counts.
					if want := 33.0 + 8*138; !stopped || math.Abs(w.past-want) > 0.1 {
						t.Errorf("pattern %d, step %d, %v, %v: stopped %v after %.3f mm, want %.3f", pattern.Pattern, step, lead, way, stopped, w.past, want)
					}
				}
			}
		}
	}
}

func TestADecoderStopsInTheCasesOfWhatItSenses(t *testing.T) {
	type cases [4]bool // front with, rear with, front against, rear against
	for _, c := range []struct {
		senses Senses
		cv27   uint8
		higher station.Side
		want   cases
	}{
		// NMRA S-9.2.2 (July 2012), CV 27: bit 0 right, bit 1 left.
		{Travel, 1, station.Right, cases{true, true, false, false}},
		{Travel, 2, station.Left, cases{true, true, false, false}},
		{Travel, 1, station.Left, cases{false, false, true, true}},
		{Travel, 3, station.Right, cases{true, true, true, true}},
		{Travel, 0, station.Right, cases{}},
		{OfVehicle, 1, station.Right, cases{true, false, false, true}},
		{OfVehicle, 1, station.Left, cases{false, true, true, false}},
		{OfVehicle, 2, station.Right, cases{false, true, true, false}},
		{OfVehicle, 3, station.Left, cases{true, true, true, true}},
		{Either, 1, station.Left, cases{true, true, true, true}},
		{Either, 0, station.Right, cases{}},
		{Nothing, 3, station.Right, cases{}},
	} {
		spec := engine(Braking{Pattern: Even, Senses: c.senses, Distance: Distance{Offset: 300}})
		spec.Registers[at(27)] = c.cv27
		section := danger
		section.Length, section.Higher = 500, c.higher
		var got cases
		for i := range got {
			b := start(t, spec, section, station.Lead(i%2), station.Way(i/2), 20)
			_, got[i] = watch(t, b)
		}
		if got != c.want {
			t.Errorf("senses %d, CV 27 = %d, %v rail: stops %v, want %v", c.senses, c.cv27, c.higher, got, c.want)
		}
	}
}

func TestARegister27ThatCannotBeSetHasNoSay(t *testing.T) {
	without := engine(Braking{Pattern: Even, Senses: Travel, Distance: Distance{Offset: 300}})
	delete(without.Registers, at(27))
	fixed := engine(without.Braking)
	fixed.Registers[at(27)], fixed.Mask = 0, map[cv.Register]uint8{at(27): 0}
	for name, spec := range map[string]Spec{"absent": without, "without bits to set": fixed} {
		if _, stopped := watch(t, start(t, spec, danger, station.Front, station.With, 20)); !stopped {
			t.Errorf("%s: it ran on", name)
		}
	}
}

func TestASectionThatIsOffStopsNothing(t *testing.T) {
	off := danger
	off.Length, off.Asymmetric = 500, 0
	spec := engine(Braking{Pattern: Even, Senses: Either, Distance: Distance{Offset: 300}})
	if w, stopped := watch(t, start(t, spec, off, station.Front, station.With, 20)); stopped {
		t.Errorf("it stopped after %.1f mm", w.past)
	}
}

func TestAVehicleThatLeavesTheSectionUnstoppedRunsOnByItsMomentum(t *testing.T) {
	spec := engine(Braking{Pattern: Deceleration, Senses: Travel, Deceleration: 20})
	spec.Registers[at(3)] = 4
	short := danger
	short.Length = 500
	b := start(t, spec, short, station.Front, station.With, 28)
	if w, stopped := watch(t, b); stopped {
		t.Fatalf("it stopped after %.1f mm", w.past)
	}
	// v² = 300² - 2·20·500 at the end of the section.
	left := math.Sqrt(300*300 - 2*20*500)
	if v := float64(b.Look().Speed); v < left || v > left+4 {
		t.Errorf("it left the section at %.1f mm/s, want %.1f or a little more", v, left)
	}
	wait(t, b, 4*time.Second)
	if v := float64(b.Look().Speed); math.Abs(v-300) > 1e-6 {
		t.Errorf("%.3f mm/s 4 s later, want 300", v)
	}
}

func TestTheMomentumIsThatOfItsRegisters(t *testing.T) {
	for _, c := range []struct {
		cv3, cv23, cv4, cv24 uint8
		steps                nmra.Steps
		faster, slower       float64 // s a step
	}{
		// NMRA S-9.2.2 (July 2012), CV 3: a value of 2 at 28 steps is 0.064 s a step.
		{2, 0, 4, 0, nmra.Steps28, 0.064, 0.128},
		// NMRA S-9.2.2 (July 2012), CV 23 and 24: bit 7 takes the trim away.
		{2, 4, 9, 0x85, nmra.Steps28, 6 * 0.896 / 28, 4 * 0.896 / 28},
		{0, 0, 3, 0xFF, nmra.Steps28, 0, 0},
		{5, 0, 5, 0, nmra.Steps128, 5 * 0.896 / 128, 5 * 0.896 / 128},
	} {
		spec := engine(Braking{})
		spec.Registers[at(3)], spec.Registers[at(23)], spec.Registers[at(4)], spec.Registers[at(24)] = c.cv3, c.cv23, c.cv4, c.cv24
		d := spec.New(1)
		r := railway{decoder: d}
		r.place(station.Front, station.With, 0)
		top := int(c.steps.Top())
		r.powered, r.orders = true, orders{step: top, top: top}
		taken := func(each float64, to int) {
			t.Helper()
			began := r.now
			r.orders.step = to
			for r.level != float64(to) {
				r.advance(r.now + 100*time.Microsecond)
			}
			if took, want := (r.now - began).Seconds(), each*float64(top); math.Abs(took-want) > 0.001 {
				t.Errorf("%+v: to step %d took %.4f s, want %.4f", c, to, took, want)
			}
		}
		taken(c.faster, top)
		taken(c.slower, 0)
		if r.advance(r.now + time.Millisecond); r.speed != 0 {
			t.Errorf("%+v: %.3f mm/s at step 0", c, r.speed)
		}
	}
}

func TestTheDriveIsThatOfItsRegisters(t *testing.T) {
	spec := engine(Braking{})
	spec.Registers[at(2)], spec.Registers[at(5)], spec.Registers[at(6)] = 20, 200, 60
	for n := range nmra.CV(28) {
		spec.Registers[at(67+n)] = uint8(9 * (n + 1))
	}
	spec.Registers[at(66)], spec.Registers[at(95)] = 64, 0
	d := spec.New(1)
	for _, c := range []struct {
		cv29      uint8
		step, top float64
		front     bool
		want      float64 // of 255
	}{
		// NMRA S-9.2.2 (July 2012), CV 2, 5 and 6; CV 66 to 95.
		{2, 0, 28, true, 0}, {2, 1, 28, true, 20}, {2, 14.5, 28, true, 60}, {2, 28, 28, false, 200}, {2, 126, 126, true, 200}, {0, 14, 14, true, 200},
		{0x12, 1, 28, false, 9}, {0x12, 28, 28, false, 252}, {0x12, 28, 28, true, 126}, {0x12, 7, 14, false, 126}, {0x12, 63, 126, false, 126},
	} {
		d.values[at(29)] = c.cv29
		if got := 255 * d.drive(c.step, c.top, c.front); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%+v: drive %.3f", c, got)
		}
	}
}

func TestTheDirectionIsThatOfRegisters19And29(t *testing.T) {
	for _, c := range []struct {
		cv19, cv29 uint8
		forward    bool
		towards    bool // it goes front first
	}{
		// NMRA S-9.2.2 (July 2012), CV 19 bit 7 and CV 29 bit 0.
		{0, 2, true, true}, {0, 2, false, false}, {0, 3, true, false}, {3, 2, true, true}, {0x83, 2, true, false}, {0x83, 3, true, true},
	} {
		spec := engine(Braking{})
		spec.Registers[at(19)], spec.Registers[at(29)] = c.cv19, c.cv29
		b := start(t, spec, danger, station.Front, station.With, 0)
		from := b.Look().Past
		send(t, b, nmra.Instruction{Kind: nmra.Speed, Address: short(3), Steps: nmra.Steps28, Step: 20, Forward: c.forward})
		wait(t, b, time.Second)
		if moved := b.Look().Past - from; (moved > 0) != c.towards || math.Abs(float64(moved)) < 100 {
			t.Errorf("%+v: it moved %.1f mm", c, moved)
		}
	}
}

func TestARunBeginsFarEnoughAwayToReachAnySpeedBeforeItsFirstGate(t *testing.T) {
	for _, name := range []string{"tram-3", "shunter-7", "railcar-12", "engine-21", "engine-30"} {
		spec, err := BuiltIn(name)
		if err != nil {
			t.Fatal(err)
		}
		gated := danger
		gated.Gates = []station.Millimetres{-250}
		for _, lead := range []station.Lead{station.Front, station.Rear} {
			for _, top := range []int{14, 28, 126} {
				r := railway{decoder: spec.New(1)}
				r.build(gated)
				r.place(lead, station.With, 0)
				r.powered, r.orders = true, orders{step: top, top: top}
				if lead == station.Rear {
					r.orders.step = -top
				}
				for len(r.edges) == 0 {
					r.advance(r.now + 10*time.Millisecond)
				}
				if want := r.steady(float64(r.orders.step)); math.Abs(r.speed-want) > 1e-3*want {
					t.Errorf("%s, %v, %d steps: %.2f mm/s at its first gate, want %.2f", name, lead, top, r.speed, want)
				}
			}
		}
	}
}
