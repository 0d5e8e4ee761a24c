package trial

import (
	"context"
	"errors"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"fettle/nmra"
	"fettle/station"
	"fettle/station/bench"
)

const vehicle = `
title = "Night-mail engine 30, quay section 2"
[vehicle]
name = "Night-mail engine 30"
scale = 87.1
address = 30
`

const braking = vehicle + `
[section]
length_mm = 1800
gates_mm = [-400, -100, 300, 900]
[wanted]
stop_mm = 1400
within_mm = 40
speeds_mm_s = [80, 160, 240]
[runs]
repeats = 1
seed = 7
`

const twoRuns = vehicle + `
[section]
length_mm = 1800
gates_mm = [-100, -50, 300]
[wanted]
stop_mm = 1000
within_mm = 40
steps = [20]
[runs]
repeats = 1
leads = ["rear"]
against = 1
`

const ofSpeed = vehicle + `
[speed]
steps = [10, 20]
between_mm = 500
[runs]
repeats = 1
`

const ofLaps = vehicle + `
[speed]
steps = [10]
lap_mm = 4712
[runs]
repeats = 1
leads = ["front"]
`

// plannedTrial is a trial and its plan.
func plannedTrial(t *testing.T, text string) (Trial, []Run) {
	t.Helper()
	tr, err := Parse("trial.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	plan, err := tr.Plan()
	if err != nil {
		t.Fatal(err)
	}
	return tr, plan
}

var errFake = errors.New("its plug is out")

// track is a layout whose vehicle goes 10 mm/s a step at once, and does in the section what brakes says.
type track struct {
	brakes  func(past, speed float64) float64 // what becomes of the speed, past where it enters
	section station.Section
	on      bool
	now     time.Duration
	past    float64
	way     station.Way
	order   nmra.Instruction
	lights  bool
	edges   []station.GateEdge
	sent    []nmra.Instruction
	calls   int
	at      int    // the call at which something happens
	happens func() // what; nil: it fails
}

func (k *track) call() error {
	if k.calls++; k.calls != k.at {
		return nil
	}
	if k.happens != nil {
		k.happens()
		return nil
	}
	return errors.Join(errFake, station.ErrStation)
}

func (k *track) PowerOn(ctx context.Context) (station.Draw, error) {
	k.on = true // a failure does not say that it is off
	return station.Draw{}, errors.Join(k.call(), ctx.Err())
}

func (k *track) PowerOff(ctx context.Context) error {
	if err := errors.Join(k.call(), ctx.Err()); err != nil {
		return err
	}
	k.on, k.order = false, nmra.Instruction{}
	return nil
}

func (k *track) Send(ctx context.Context, p nmra.Packet, _ int) error {
	if err := errors.Join(k.call(), ctx.Err()); err != nil {
		return err
	}
	i, err := p.Instruction(nmra.MainTrack)
	if err != nil {
		return err
	}
	k.sent = append(k.sent, i)
	switch i.Kind {
	case nmra.Functions:
		k.lights = i.States&1 == 1
	case nmra.Speed, nmra.Stop, nmra.EmergencyStop:
		k.order = i
	}
	return nil
}

func (k *track) Lay(s station.Section) error {
	if k.on {
		return errors.New("laid on a live track")
	}
	k.section = s
	return k.call()
}

func (k *track) Place(_ station.Lead, w station.Way) error {
	if k.on {
		return errors.New("placed on a live track")
	}
	k.past, k.way, k.edges = -150, w, nil
	return k.call()
}

func (k *track) speed() float64 {
	if !k.on || k.order.Kind != nmra.Speed {
		return 0
	}
	v := 10 * float64(k.order.Step)
	if k.brakes != nil && k.past >= 0 {
		v = k.brakes(k.past, v)
	}
	return v
}

func (k *track) Look() station.View {
	return station.View{Past: station.Millimetres(k.past), Speed: station.MillimetresPerSecond(k.speed()), Lights: k.lights && k.on, At: k.now}
}

func (k *track) Wait(ctx context.Context, d time.Duration) error {
	if err := errors.Join(k.call(), ctx.Err()); err != nil {
		return err
	}
	v := k.speed()
	for i, g := range k.section.Gates {
		if k.way == station.Against {
			g = k.section.Length - g
		}
		if after := (float64(g) - k.past) / v; v > 0 && after > 0 && after <= d.Seconds() {
			k.edges = append(k.edges, station.GateEdge{Gate: i + 1, Closed: true, At: k.now + time.Duration(after*1e9)})
		}
	}
	k.past, k.now = k.past+v*d.Seconds(), k.now+d
	return nil
}

func (k *track) Gate(ctx context.Context) (station.GateEdge, error) {
	if err := errors.Join(k.call(), ctx.Err()); err != nil {
		return station.GateEdge{}, err
	}
	if len(k.edges) == 0 {
		<-ctx.Done()
		return station.GateEdge{}, ctx.Err()
	}
	e := k.edges[0]
	k.edges = k.edges[1:]
	return e, nil
}

// stopsAt is a vehicle that stops there dead.
func stopsAt(place float64) func(past, speed float64) float64 {
	return func(past, speed float64) float64 {
		if past >= place {
			return 0
		}
		return speed
	}
}

// watcher is a witness who answers as told, and otherwise sees every run stop at 1000 mm.
type watcher struct {
	agree  error
	said   string
	place  func() error
	watch  func() (Outcome, error)
	lap    func() (time.Duration, error)
	made   []int
	placed []int
}

func (w *watcher) Agree(_ context.Context, what string) error { w.said = what; return w.agree }
func (w *watcher) Made(r Run, _ int)                          { w.made = append(w.made, r.Number) }
func (w *watcher) Lap(context.Context) (time.Duration, error) { return w.lap() }

func (w *watcher) Place(_ context.Context, r Run) error {
	w.placed = append(w.placed, r.Number)
	if w.place != nil {
		return w.place()
	}
	return nil
}

func (w *watcher) Watch(context.Context, Run) (Outcome, error) {
	if w.watch != nil {
		return w.watch()
	}
	return Stopped, nil
}

func (w *watcher) Note(_ context.Context, r Run) (Run, error) {
	if r.Outcome == Stopped {
		r.Stop = 1000
	}
	return r, nil
}

// keeper keeps what was saved.
type keeper struct{ runs []Run }

func (k *keeper) save(runs []Run) error { k.runs = runs; return nil }

func (k *keeper) made() (n int) {
	for _, r := range k.runs {
		if r.Made {
			n++
		}
	}
	return n
}

func TestWhicheverCallFailsTheTrackIsOffAndTheRunsAreSaved(t *testing.T) {
	for _, sees := range []bool{true, false} {
		for _, how := range []string{"an error", "a panic", "the context's end"} {
			tr, plan := plannedTrial(t, twoRuns)
			ended := 0
			for at := 1; ; at++ {
				ctx, cancel := context.WithCancel(t.Context())
				k := &track{brakes: stopsAt(1000), at: at}
				switch how {
				case "a panic":
					k.happens = func() { panic(errFake) }
				case "the context's end":
					k.happens = cancel
				}
				var main station.Main = k
				if !sees {
					main = struct{ station.Main }{k}
				}
				var kept keeper
				var w watcher
				err := func() (err error) {
					defer func() {
						if p := recover(); p != nil {
							err = p.(error)
						}
					}()
					return Drive(ctx, main, &w, tr, plan, kept.save)
				}()
				cancel()
				if k.on {
					t.Fatalf("layout %v, %s at call %d: %v, and the track is on", sees, how, at, err)
				}
				if kept.made() != len(w.made) {
					t.Fatalf("layout %v, %s at call %d: %d runs were saved, want %d", sees, how, at, kept.made(), len(w.made))
				}
				if k.calls < at {
					if err != nil || kept.made() != 2 {
						t.Fatalf("without a failure: %v, %d runs", err, kept.made())
					}
					break
				}
				switch {
				case err == nil && kept.made() < 2:
					t.Fatalf("layout %v, %s at call %d: no error, and %d runs", sees, how, at, kept.made())
				case err != nil && how == "an error" && !errors.Is(err, station.ErrStation), err != nil && how == "the context's end" && !errors.Is(err, context.Canceled):
					t.Fatalf("layout %v, %s at call %d: %v", sees, how, at, err)
				case err != nil:
					ended++
				}
			}
			if ended < 4 {
				t.Errorf("layout %v, %s: it ended %d drives, want some at least", sees, how, ended)
			}
		}
	}
}

func TestAnErrorInARunStopsTheVehicleAndAllOthers(t *testing.T) {
	tr, plan := plannedTrial(t, twoRuns)
	k := &track{at: 20} // while it waits
	var kept keeper
	if err := Drive(t.Context(), k, &watcher{}, tr, plan, kept.save); !errors.Is(err, errFake) {
		t.Fatal(err)
	}
	stopsBoth(t, k.sent)
}

// stopsBoth holds that the last two packets were an emergency stop to the vehicle and one to all.
func stopsBoth(t *testing.T, sent []nmra.Instruction) {
	t.Helper()
	if len(sent) < 2 {
		t.Fatalf("sent %v", sent)
	}
	own, all := sent[len(sent)-2], sent[len(sent)-1]
	if own.Kind != nmra.EmergencyStop || own.Address != (nmra.Address{Kind: nmra.Short, Number: 30}) || own.Forward ||
		all.Kind != nmra.EmergencyStop || all.Address.Kind != nmra.Broadcast {
		t.Errorf("at last it sent %v; %v, want an emergency stop, rear first, to 30 and one to all", own, all)
	}
}

func TestNothingMovesBeforeItIsAgreedTo(t *testing.T) {
	tr, plan := plannedTrial(t, twoRuns)
	no := errors.New("no")
	var k track
	var kept keeper
	w := watcher{agree: no}
	if err := Drive(t.Context(), &k, &w, tr, plan, kept.save); !errors.Is(err, no) || k.calls != 0 || kept.runs != nil {
		t.Errorf("%v, %d calls, %v", err, k.calls, kept.runs)
	}
	if want := "Night-mail engine 30, address 30, is going to move: 2 runs into a section of 1800 mm with room for 1800 mm."; w.said != want {
		t.Errorf("said %q, want %q", w.said, want)
	}
}

func TestALayoutSaysWhatBecameOfARun(t *testing.T) {
	for name, c := range map[string]struct {
		brakes        func(past, speed float64) float64
		with, against Outcome
		stop          station.Millimetres
	}{
		"stops at 1000 mm":    {stopsAt(1000), Stopped, Stopped, 1000},
		"runs on":             {nil, Ignored, Ignored, 0},
		"slows to two thirds": {func(_, v float64) float64 { return v * 2 / 3 }, Slowed, Slowed, 0},
		"still brakes":        {func(past, v float64) float64 { return v * math.Sqrt(1-past/2500) }, Overran, Slowed, 0},
		"crawls":              {func(_, v float64) float64 { return v / 5 }, Overran, Slowed, 0},
	} {
		tr, plan := plannedTrial(t, twoRuns)
		k := &track{brakes: c.brakes}
		var kept keeper
		if err := Drive(t.Context(), k, &watcher{}, tr, plan, kept.save); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for _, r := range kept.runs {
			want := c.with
			if r.Way == station.Against {
				want = c.against
			}
			if r.Outcome != want || r.Speed != 200 || math.Abs(float64(r.Stop-c.stop)) > 4 {
				t.Errorf("%s, %v the section: %v at %v mm from %v, want %v, %v mm from 200 mm/s", name, r.Way, r.Outcome, r.Stop, r.Speed, want, c.stop)
			}
			if r.Outcome == Stopped && (r.Time < 4960*time.Millisecond || r.Time > 5040*time.Millisecond) {
				t.Errorf("%s: it took %v, want 5 s within two looks", name, r.Time)
			}
			wanted := []Passing{{-100, -500 * time.Millisecond}, {-50, -250 * time.Millisecond}, {300, 1500 * time.Millisecond}}
			if r.Way == station.With && name == "stops at 1000 mm" {
				if diff := cmp.Diff(wanted, r.Gates); diff != "" {
					t.Errorf("gates (-want +got):\n%s", diff)
				}
			}
		}
	}
}

func TestAStopWithItsLightsOutIsNoted(t *testing.T) {
	tr, plan := plannedTrial(t, twoRuns)
	k := &track{}
	k.brakes = func(past, v float64) float64 {
		if past < 700 {
			return v
		}
		k.lights = false
		return 0
	}
	var kept keeper
	if err := Drive(t.Context(), k, &watcher{}, tr, plan, kept.save); err != nil {
		t.Fatal(err)
	}
	for _, r := range kept.runs {
		if r.Note != "its lights were out: it stopped without contact, not for the section" {
			t.Errorf("run %d: %q", r.Number, r.Note)
		}
	}
}

func TestAVehicleThatNeverMovesIsNoRun(t *testing.T) {
	tr, plan := plannedTrial(t, twoRuns)
	k := &track{}
	var kept keeper
	var stands Stands
	if err := Drive(t.Context(), stuck{k}, &watcher{}, tr, plan, kept.save); !errors.As(err, &stands) || stands.Past != -150 || kept.runs != nil || k.on {
		t.Errorf("%v, %v", err, kept.runs)
	}
}

// stuck hears no speed.
type stuck struct{ *track }

func (s stuck) Send(ctx context.Context, p nmra.Packet, n int) error {
	err := s.track.Send(ctx, p, n)
	s.track.order = nmra.Instruction{}
	return err
}

func TestAnyOtherKeyIsAnEmergencyStopAndTheRunIsMadeAgain(t *testing.T) {
	tr, plan := plannedTrial(t, twoRuns)
	k := &track{}
	halted := false
	w := watcher{}
	w.watch = func() (Outcome, error) {
		if !halted {
			halted = true
			return 0, ErrHalt
		}
		if len(w.made) == 0 {
			stopsBoth(t, k.sent[:slices.IndexFunc(k.sent, func(i nmra.Instruction) bool { return i.Address.Kind == nmra.Broadcast })+1])
		}
		return Ignored, nil
	}
	var kept keeper
	if err := Drive(t.Context(), struct{ station.Main }{k}, &w, tr, plan, kept.save); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]int{1, 1, 2}, w.placed); diff != "" {
		t.Errorf("placed (-want +got):\n%s", diff)
	}
	stopsBoth(t, k.sent) // what has not stopped is stopped so
}

func TestARunThatIsUndoneIsMadeAgainAndOneThatIsLeftIsNot(t *testing.T) {
	tr, plan := plannedTrial(t, twoRuns)
	w := watcher{}
	w.place = func() error {
		switch len(w.placed) {
		case 2:
			return ErrUndo
		case 4:
			return ErrLeave
		}
		return nil
	}
	var kept keeper
	err := Drive(t.Context(), struct{ station.Main }{&track{}}, &w, tr, plan, kept.save)
	if !errors.Is(err, ErrLeave) || kept.made() != 1 || !slices.Equal(w.placed, []int{1, 2, 1, 2}) {
		t.Fatalf("%v, %d made, placed %v", err, kept.made(), w.placed)
	}
	runs, err := Resume(plan, kept.runs)
	if err != nil {
		t.Fatal(err)
	}
	w = watcher{}
	if err := Drive(t.Context(), struct{ station.Main }{&track{}}, &w, tr, runs, kept.save); err != nil || kept.made() != 2 || !slices.Equal(w.placed, []int{2}) {
		t.Fatalf("taken up: %v, %d made, placed %v", err, kept.made(), w.placed)
	}
}

// announced says when its power goes off, and has a gate that fails.
type announced struct {
	station.Main
	off chan struct{}
}

func (a announced) PowerOff(ctx context.Context) error {
	defer close(a.off)
	return a.Main.PowerOff(ctx)
}

func (a announced) Gate(ctx context.Context) (station.GateEdge, error) {
	if _, brief := ctx.Deadline(); brief { // before the run
		<-ctx.Done()
		return station.GateEdge{}, ctx.Err()
	}
	return station.GateEdge{}, errors.Join(errFake, station.ErrStation)
}

func TestTheTrackWaitsForNobodyToGoOff(t *testing.T) {
	tr, plan := plannedTrial(t, twoRuns)
	a := announced{&track{}, make(chan struct{})}
	w := watcher{watch: func() (Outcome, error) {
		select {
		case <-a.off:
		case <-time.After(5 * time.Second):
			t.Error("a gate failed, and the track stayed on until the person had looked up")
		}
		return Stopped, nil
	}}
	var kept keeper
	if err := Drive(t.Context(), struct {
		station.Main
		station.Gates
	}{a, a}, &w, tr, plan[:1], kept.save); !errors.Is(err, station.ErrStation) || kept.runs != nil {
		t.Errorf("%v, saved %v", err, kept.runs)
	}
}

func TestTheSpeedIsKeptUpWhileAPersonWatches(t *testing.T) {
	tr, plan := plannedTrial(t, twoRuns)
	k := &track{}
	w := watcher{watch: func() (Outcome, error) { time.Sleep(3*keepUp + keepUp/2); return Stopped, nil }}
	var kept keeper
	if err := Drive(t.Context(), struct{ station.Main }{k}, &w, tr, plan[:1], kept.save); err != nil {
		t.Fatal(err)
	}
	speeds := 0
	for _, i := range k.sent {
		if i.Kind == nmra.Speed && i.Step == 20 && !i.Forward {
			speeds++
		}
	}
	if speeds < 3 || k.sent[len(k.sent)-1].Kind != nmra.Stop {
		t.Errorf("%d packets with the speed, then %v, want 3 or 4, then a stop", speeds, k.sent[len(k.sent)-1])
	}
}

func TestGatesOfAStationGiveEntrySpeedAndTimesFromTheTrigger(t *testing.T) {
	tr, plan := plannedTrial(t, twoRuns)
	k := &track{}
	i := slices.IndexFunc(plan, func(r Run) bool { return r.Way == station.With })
	w := watcher{watch: func() (Outcome, error) { time.Sleep(keepUp); return Stopped, nil }}
	var kept keeper
	main := struct {
		station.Main
		station.Gates
	}{k, edges{false, []time.Duration{9 * time.Second, 9250 * time.Millisecond, 11 * time.Second}}.gates()}
	if err := Drive(t.Context(), main, &w, tr, plan[i:i+1], kept.save); err != nil {
		t.Fatal(err)
	}
	want := []Passing{{-100, -500 * time.Millisecond}, {-50, -250 * time.Millisecond}, {300, 1500 * time.Millisecond}}
	if diff := cmp.Diff(want, kept.runs[0].Gates); diff != "" || kept.runs[0].Speed != 200 {
		t.Errorf("speed %v, gates (-want +got):\n%s", kept.runs[0].Speed, diff)
	}
}

// edges are gates that close one after the other, once those that place the vehicle are clear of them.
type edges struct {
	asked bool // for those that wait
	at    []time.Duration
}

func (e edges) gates() station.Gates { return &e }

func (e *edges) Gate(ctx context.Context) (station.GateEdge, error) {
	if !e.asked || len(e.at) == 0 {
		e.asked = true
		<-ctx.Done()
		return station.GateEdge{}, ctx.Err()
	}
	at := e.at[0]
	e.at = e.at[1:]
	return station.GateEdge{Gate: 3 - len(e.at), Closed: true, At: at}, nil
}

func TestSpeedsAreMeasuredBetweenPlacesAndByLaps(t *testing.T) {
	tr, plan := plannedTrial(t, ofSpeed)
	var kept keeper
	if err := Drive(t.Context(), &track{}, &watcher{}, tr, plan, kept.save); err != nil || len(kept.runs) != 4 {
		t.Fatal(err, kept.runs)
	}
	for _, r := range kept.runs {
		if want := station.MillimetresPerSecond(10 * float64(r.Step)); r.Speed != want {
			t.Errorf("step %d: %v, want %v", r.Step, r.Speed, want)
		}
	}

	main := struct {
		station.Main
		station.Gates
	}{&track{}, edges{false, []time.Duration{9 * time.Second, 14 * time.Second}}.gates()}
	forever := watcher{watch: func() (Outcome, error) { time.Sleep(time.Second); return 0, nil }}
	if err := Drive(t.Context(), main, &forever, tr, plan[:1], kept.save); err != nil || kept.runs[0].Speed != 100 {
		t.Errorf("%v, between two gates %v, want 500 mm in 5 s", err, kept.runs[0].Speed)
	}

	tr, plan = plannedTrial(t, ofLaps)
	now := time.Duration(0)
	w := watcher{lap: func() (time.Duration, error) { now += 47120 * time.Millisecond; return now, nil }}
	if err := Drive(t.Context(), struct{ station.Main }{&track{}}, &w, tr, plan, kept.save); err != nil || kept.runs[0].Speed != 100 {
		t.Errorf("%v, a lap: %v, want 4712 mm in 47.12 s", err, kept.runs[0].Speed)
	}
}

func TestWhatCannotBeDrivenIsSaidBeforeAnythingMoves(t *testing.T) {
	tr, plan := plannedTrial(t, braking)
	speeds, speedPlan := plannedTrial(t, ofSpeed)
	none, steps := tr, plannedSteps(plan)
	none.Vehicle.Address = nmra.Address{}
	for want, c := range map[string]struct {
		t    Trial
		runs []Run
	}{
		"driving Night-mail engine 30: the trial file says no address, want address or long_address in [vehicle]": {none, steps},
		"driving Night-mail engine 30: run 1 wants 240 mm/s, and which step gives that is not known: want the runs of a trial of speed, or steps in [wanted]": {
			tr, []Run{{Number: 1, Speed: 240}}},
		"driving Night-mail engine 30: the station has no gates to time it between, want lap_mm in [speed] in place of between_mm": {speeds, speedPlan},
	} {
		k := &track{}
		if err := Drive(t.Context(), struct{ station.Main }{k}, &watcher{}, c.t, c.runs, nil); err == nil || err.Error() != want || k.calls > 0 {
			t.Errorf("%v after %d calls, want %s", err, k.calls, want)
		}
	}
}

func plannedSteps(plan []Run) []Run {
	runs := slices.Clone(plan)
	for i := range runs {
		runs[i].Step = 10
	}
	return runs
}

func TestAFileThatCannotBeWrittenEndsTheDrive(t *testing.T) {
	tr, plan := plannedTrial(t, twoRuns)
	full := errors.New("the disk is full")
	k := &track{brakes: stopsAt(1000)}
	w := &watcher{}
	if err := Drive(t.Context(), k, w, tr, plan, func([]Run) error { return full }); !errors.Is(err, full) || k.on || len(w.made) > 0 {
		t.Errorf("%v, track on %v, made %v", err, k.on, w.made)
	}
}

func TestStepsComeFromMeasuredSpeedsOfTheirLead(t *testing.T) {
	measured := []Run{
		{Lead: station.Front, Step: 10, Speed: 100, Made: true}, {Lead: station.Front, Step: 20, Speed: 200, Made: true},
		{Lead: station.Rear, Step: 10, Speed: 80, Made: true}, {Lead: station.Rear, Step: 20, Speed: 160, Made: true},
		{Lead: station.Front, Step: 5, Speed: 900}, // not made
	}
	runs := []Run{{Number: 1, Speed: 150}, {Number: 2, Lead: station.Rear, Speed: 120}, {Number: 3, Step: 12}, {Number: 4, Speed: 77, Step: 3, Made: true}}
	got, err := SetSteps(runs, measured, nmra.Steps28)
	if err != nil {
		t.Fatal(err)
	}
	want := []Run{{Number: 1, Step: 15, Speed: 150}, {Number: 2, Lead: station.Rear, Step: 15, Speed: 120}, {Number: 3, Step: 12, Speed: 120}, runs[3]}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	for _, bad := range []Run{{Number: 1, Speed: 300}, {Number: 1, Speed: 2}} {
		if _, err := SetSteps([]Run{bad}, measured, nmra.Steps28); err == nil {
			t.Errorf("%v: no error, and no step gives that", bad.Speed)
		}
	}
	if _, err := SetSteps(runs[1:2], measured[:2], nmra.Steps28); err == nil {
		t.Error("no error, and no speed was measured with the rear leading")
	}
}

func TestStepsThatAreFoundFirstAreThoseThatADriveFinds(t *testing.T) {
	tr, plan := plannedTrial(t, braking)
	spec, err := bench.BuiltIn("engine-30")
	if err != nil {
		t.Fatal(err)
	}
	first, second := bench.New(spec.New(0)), bench.New(spec.New(0))
	defer first.Close()
	defer second.Close()
	found, err := FindSteps(t.Context(), first, tr, plan)
	if err != nil || len(found) != len(plan) {
		t.Fatal(err, found)
	}
	if err := first.Lay(tr.Section); err != nil {
		t.Errorf("the track is on: %v", err)
	}
	var kept keeper
	if err := Drive(t.Context(), second, &watcher{}, tr, plan, kept.save); err != nil {
		t.Fatal(err)
	}
	for i, r := range found {
		if r.Made || r.Step == 0 || r.Step != kept.runs[i].Step || r.Lead != plan[i].Lead || plan[i].Step != 0 {
			t.Errorf("found %+v, driven %+v", r, kept.runs[i])
		}
	}
	_, err = FindSteps(t.Context(), first, Trial{}, plan)
	if err == nil {
		t.Error("no error, and the trial says no address")
	}
}

func TestTheBenchMakesEveryRunNearItsSpeed(t *testing.T) {
	tr, plan := plannedTrial(t, braking)
	spec, err := bench.BuiltIn("engine-30")
	if err != nil {
		t.Fatal(err)
	}
	b := bench.New(spec.New(0))
	defer b.Close()
	var kept keeper
	if err := Drive(t.Context(), b, &watcher{}, tr, plan, kept.save); err != nil || kept.made() != len(plan) {
		t.Fatal(err, kept.made())
	}
	for i, r := range kept.runs {
		if off := math.Abs(float64(r.Speed/plan[i].Speed - 1)); off > 0.15 {
			t.Errorf("run %d entered at %v, want %v within 15 %%", r.Number, r.Speed, plan[i].Speed)
		}
		if r.Outcome != Stopped || r.Time <= 0 || r.Way == station.With && len(r.Gates) != 4 {
			t.Errorf("%+v", r)
		}
	}
	// What was driven reads back as a file of runs, with nothing in doubt.
	_, doubts, err := ParseRuns("runs.csv", AppendRuns(nil, kept.runs), tr)
	if err != nil || len(doubts) > 0 {
		t.Error(err, doubts)
	}
}
