package trial

import (
	"strings"
	"testing"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/station/bench"
)

// benchRuns makes the runs of the trial with the built-in engine 30, of which registers hold other values than it left its box with.
func benchRuns(t *testing.T, of Trial, values cv.Values, change func(*bench.Spec)) []Run {
	t.Helper()
	spec, err := bench.BuiltIn("engine-30")
	if err != nil {
		t.Fatal(err)
	}
	for r, v := range values {
		spec.Registers[r] = v
	}
	change(&spec)
	plan, err := of.Plan()
	if err != nil {
		t.Fatal(err)
	}
	track := bench.New(spec.New(uint64(values[cv.Register{CV: 117}])))
	defer func() {
		if err := track.Close(); err != nil {
			t.Error(err)
		}
	}()
	var made []Run
	if err := Drive(t.Context(), track, &watcher{}, of, plan, func(runs []Run) error { made = runs; return nil }); err != nil {
		t.Fatal(err)
	}
	return made
}

func TestProofTheLoopClosesOnTheBenchOrSaysThatItCannot(t *testing.T) {
	const setsDistance nmra.CV = 117
	of, err := Read("../testdata/trials/night-mail-30.toml")
	if err != nil {
		t.Fatal(err)
	}
	base := cv.Values{{CV: 1}: 30, {CV: 27}: 1, {CV: 29}: 14}
	with := func(value uint8) cv.Values {
		v := cv.Values{{CV: setsDistance}: value}
		for r, x := range base {
			v[r] = x
		}
		return v
	}
	same := func(*bench.Spec) {}
	var settings []Setting
	for _, value := range []uint8{110, 150} {
		settings = append(settings, Setting{value, benchRuns(t, of, with(value), same)})
		if v := Judge(of, settings[len(settings)-1].Runs); v.Fitness == Fit {
			t.Fatalf("fit with %d already", value)
		}
	}
	d, err := TuneDistance(of, cv.Register{CV: setsDistance}, settings)
	if err != nil || !d.Reachable {
		t.Fatalf("%+v, %v", d, err)
	}
	t.Log(d.Words)
	if v := Judge(of, benchRuns(t, of, with(d.Value), same)); v.Fitness != Fit {
		t.Errorf("with %d: %s", d.Value, v.Sentence)
	}
	// The same engine, of which a step of the register moves the stop by 500 mm.
	coarse := func(s *bench.Spec) { s.Braking.Distance.PerUnit = 500 }
	settings = nil
	for _, value := range []uint8{2, 3} {
		settings = append(settings, Setting{value, benchRuns(t, of, with(value), coarse)})
	}
	d, err = TuneDistance(of, cv.Register{CV: setsDistance}, settings)
	if err != nil || d.Reachable || !strings.HasPrefix(d.Words[0], "Too coarse") {
		t.Fatalf("%+v, %v", d.Tuning, err)
	}
	t.Log(d.Words)
}
