package main

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fettle/prog/regset"
	"fettle/station/bench"
	"fettle/trial"
)

//go:embed demo/quay-2.toml
var demoTrial []byte

//go:embed demo/engine-30.toml
var demoTuning []byte

const (
	demoTrialFile  = "quay-2.toml"
	demoTuningFile = "engine-30.toml"
)

// tellTrial tells the second act: a vehicle that does not stop where it should is given other values, and does. It gives how long the track was
// in use.
func tellTrial(cmd *cobra.Command, v *visit) (used time.Duration, err error) {
	t, err := trial.Parse(demoTrialFile, demoTrial)
	if err != nil {
		return 0, err
	}
	set, err := regset.Parse(demoTuningFile, demoTuning)
	if err != nil {
		return 0, err
	}
	decoder, err := bench.BuiltIn("engine-30")
	if err != nil {
		return 0, err
	}
	track := bench.New(decoder.New(0))
	defer func() { err = errors.Join(err, track.Close()) }()
	apply := func(ctx context.Context, v *visit) error { return v.applySet(ctx, set, demoTuningFile) }
	for _, s := range []scene{
		{"Night-mail engine 30, on the track: does it stop at the signal, from every speed, either end leading?",
			"trial run " + demoTrialFile + " && fettle trial judge " + demoTrialFile + " quay-2.runs.csv", demoRuns(track, t), saidNo},
		{"It brakes over a constant distance, too early, and for either side of the track. So:", "apply " + demoTuningFile, apply, done},
		{"The same runs again.", "trial run " + demoTrialFile + " --runs again.csv && fettle trial judge " + demoTrialFile + " again.csv", demoRuns(track, t), done},
	} {
		if err := v.play(cmd, track, s); err != nil {
			return 0, err
		}
	}
	return track.Now(), nil
}

// demoRuns makes the runs of a trial and judges them, in a few lines.
func demoRuns(track *bench.Bench, t trial.Trial) job {
	return func(ctx context.Context, v *visit) error {
		if err := track.PowerOff(ctx); err != nil {
			return err
		}
		plan, err := t.Plan()
		if err != nil {
			return err
		}
		var runs []trial.Run
		quiet := func(string, ...any) error { return nil }
		beside := &trackside{trial: t, tell: quiet, progress: v.progress, of: len(plan), now: time.Now, sees: true, yes: true}
		err = trial.Drive(ctx, track, beside, t, plan, func(made []trial.Run) error {
			runs = made
			return nil
		})
		v.progress("", 0, 0)
		if err != nil {
			return err
		}
		judged := trial.Judge(t, runs)
		var text strings.Builder
		fmt.Fprintf(&text, "%s made.\n%s\n", count(len(runs), "run"), judged.Sentence)
		table, _, _ := strings.Cut(responseText(judged.Response), "\n\n")
		fmt.Fprintf(&text, "%s\n%s\n", table, stopsText(t, judged.Stops))
		if judged.Bound.At > 0 {
			fmt.Fprintf(&text, "%.0f stops in 100 end before %v.\n", 100*judged.Bound.Share, judged.Bound.At)
		}
		if err := v.print("%s", text.String()); err != nil {
			return err
		}
		return verdict(judged.Fitness == trial.Fit)
	}
}
