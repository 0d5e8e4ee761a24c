package trial

import (
	"context"
	"errors"
	"math"
	"testing"

	"fettle/nmra"
	"fettle/station"
	"fettle/station/bench"
)

// night is a small trial of braking of the night-mail engine on the bench.
func night(t *testing.T, text string) Trial {
	t.Helper()
	tr, err := Parse("night.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

const braking = `
title = "Night-mail engine 30, quay section 2"
[vehicle]
name = "Night-mail engine 30"
scale = 87.1
address = 30
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

const ofSpeed = `
title = "Night-mail engine 30, speeds"
[vehicle]
name = "Night-mail engine 30"
scale = 87.1
address = 30
[speed]
steps = [4, 14, 28]
between_mm = 500
[runs]
repeats = 1
seed = 7
`

// onBench is a new bench with a decoder and vehicle of its own.
func onBench(t *testing.T, name string) *bench.Bench {
	t.Helper()
	spec, err := bench.BuiltIn(name)
	if err != nil {
		t.Fatal(err)
	}
	return bench.New(spec.New(0))
}

// nobody is a witness who agrees to everything and is asked for nothing else.
type nobody struct {
	Witness
	said string
	left []int
}

func (n *nobody) Agree(_ context.Context, what string) error { n.said = what; return nil }
func (n *nobody) Made(_ Run, left int)                       { n.left = append(n.left, left) }

func TestTheBenchMakesEveryRunOfATrial(t *testing.T) {
	tr := night(t, braking)
	plan, err := tr.Plan()
	if err != nil {
		t.Fatal(err)
	}
	var saved []Run
	var w nobody
	b := onBench(t, "engine-30")
	defer b.Close()
	if err := Drive(t.Context(), b, &w, tr, plan, func(r []Run) error { saved = r; return nil }); err != nil {
		t.Fatal(err)
	}
	for _, r := range saved {
		t.Logf("%+v", r)
	}
	t.Log(w.said, w.left)
	_ = errors.Is
	_ = math.Abs
	_ = nmra.Idle
	_ = station.Front
}
